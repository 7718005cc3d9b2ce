"""Lets test modules here write `from r_models import fitted`, whatever import mode pytest runs in."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
