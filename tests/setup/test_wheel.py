"""The installed toolkit: the wheel carries what the toolkit reads, and works from any folder."""

import subprocess
import sys
import zipfile

import pytest

import start


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """The wheel, built and unpacked as an installer would."""
    made = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(made)]
    subprocess.run(build, cwd=start.ROOT, check=True, capture_output=True)
    (wheel,) = made.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(made / "site")
    return made / "site"


def run_installed(installed, folder, *words):
    """Run a command of the installed toolkit in `folder`."""
    environment = {**start.clean_environment(start.ROOT), "PYTHONPATH": str(installed)}
    command = [sys.executable, "-P", "-m", "toolkit", *words]
    return subprocess.run(command, cwd=folder, env=environment, capture_output=True, encoding="utf-8", check=False)


@pytest.mark.parametrize(
    "name", ["shared/codebook/measures.csv", "shared/jupyter", "datasets/demo/sessions.csv", "notebooks", "py.typed"]
)
def test_the_wheel_carries(installed, name):
    assert (installed / "toolkit" / name).exists()


def test_the_console_script_is_the_commands(installed):
    (entry,) = installed.glob("*.dist-info/entry_points.txt")
    assert "session-outcomes = toolkit.__main__:main" in entry.read_text(encoding="utf-8")


def test_the_installed_toolkit_reads_its_own_codebook_from_any_folder(installed, tmp_path):
    done = run_installed(installed, tmp_path, "codebook")
    assert done.returncode == 0, done.stderr
    assert "No fault found." in done.stdout


def test_the_installed_toolkit_reads_its_demo_clinic(installed, tmp_path):
    demo = installed / "toolkit" / "datasets" / "demo" / "sessions.csv"
    done = run_installed(installed, tmp_path, "check", str(demo))
    assert done.returncode == 0, done.stderr
    assert "7 set aside" in done.stdout
