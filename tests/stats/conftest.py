"""Lets the test modules here write `from clinic import clinic`, whatever import mode pytest runs in."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
