"""Lets every test module here write `from published_figures import expected`, whatever import mode pytest runs in."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
