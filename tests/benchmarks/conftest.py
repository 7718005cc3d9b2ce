"""Lets the tests here import the benchmark modules beside them, whatever import mode pytest runs in."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
