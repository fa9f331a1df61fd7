"""Lets the tests of this room share ``scenes.py``, however pytest was started."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
