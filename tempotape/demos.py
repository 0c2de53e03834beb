"""Where the bundled demo lies: inside the wheel, or at the top of a source checkout."""

from __future__ import annotations

from pathlib import Path

_INSTALLED = Path(__file__).parent / "demo"
_ROOT = _INSTALLED if _INSTALLED.is_dir() else Path(__file__).parent.parent
DEMO_UNIT = _ROOT / "calibrations" / "kestrel.toml"
DEMO_SET = _ROOT / "setlists" / "boathouse.toml"
