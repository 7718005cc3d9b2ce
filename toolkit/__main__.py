"""The commands: `session-outcomes COMMAND`, `python -m toolkit COMMAND` or `python3 start.py COMMAND`.

A command reads its arguments, calls one function of the toolkit and prints what it returns. Whatever goes wrong is
said in one message, without a traceback: status 2 for what the user can mend, 1 for what only we can.
"""

import sys
import traceback

import click

from toolkit import __version__
from toolkit.commands import COMMANDS
from toolkit.commands.screen import NAME, fitted, typed
from toolkit.errors import ToolkitError
from toolkit.safe_text import printable

OURS = (
    "This is a fault of the toolkit, not of your records: {kind}: {error}\n"
    "What was not finished was not written. Run the same command with --traceback added to see where it happened, and "
    "report that."
)


@click.group(context_settings={"help_option_names": ["-h", "--help"]}, epilog="--traceback shows where a fault arose.")
@click.version_option(__version__, prog_name=NAME)
def commands() -> None:
    """From a year of session records to a claim one may make about one's own technique."""


for command in COMMANDS:
    commands.add_command(command)


def run(words: list[str]) -> int:
    """Run the command in `words` and return its exit status; every failure is said in words."""
    asked = [word for word in words if word != "--traceback"]
    try:
        status = commands.main(args=asked, prog_name=typed(), standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        return 130
    except Exception as error:
        if asked != words:
            traceback.print_exc()
        message, status = explain(error)
        click.echo(printable(fitted(message)), err=True)
        return status
    return status if isinstance(status, int) else 0


def explain(error: Exception) -> tuple[str, int]:
    """What to tell the user about `error`, and the exit status."""
    if isinstance(error, ToolkitError):
        return str(error), 2
    if isinstance(error, OSError) and error.filename:
        return f"{error.filename!s}: {error.strerror}. Choose another file or folder, or close it where it is open.", 2
    if isinstance(error, MemoryError):
        return "The computer's memory is too small for these records: audit fewer files at once.", 2
    return OURS.format(kind=type(error).__name__, error=error), 1


def main() -> None:
    """The console script."""
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
