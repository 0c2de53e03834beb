"""A unit with everything computed from its measured points, ready to be asked.

Fitting takes scipy, which takes a second to load; so a fit is kept on disk, and opening the same
unit again waits for neither.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable
from pathlib import Path

import msgspec

from tempotape.faults import InputFault
from tempotape.unit.curve import Fit, SpeedCurve
from tempotape.unit.model import Unit
from tempotape.unit.steadiness import FlutterCurve, Zone
from tempotape.unit.unitfile import read_unit
from tempotape.userfiles import write_whole

MOST_KEPT = 32


class Calibration(msgspec.Struct, frozen=True):
    """A unit, its fitted speed curve and its steadiness.

    `trusted` holds the slowest and the fastest reading that lie in the measured span and are not
    unstable; None where no reading is both. `unstable` holds the lowest and the highest reading
    not to trust; None where there is none. `drift_percent` is one standard deviation of how far
    the tape may have drifted from a trim made `trim_age_s` ago; 0 and None without a trim, where
    the calibration is the only reference there is.
    """

    unit: Unit
    fit: Fit
    flutter: FlutterCurve
    trusted: tuple[float, float] | None
    unstable: tuple[float, float] | None
    drift_percent: float = 0.0
    trim_age_s: float | None = None

    @property
    def curve(self) -> SpeedCurve:
        return self.fit.curve

    def zone_at(self, knob: float) -> Zone:
        return self.flutter.zone_at(self.curve, knob)

    def flutter_at(self, knob: float) -> float | None:
        return self.flutter.flutter_at(self.curve, knob)


def calibrate(unit: Unit) -> Calibration:
    """Fit the unit's curve and steadiness.

    Raises InputFault where nothing is measured, or the points contradict one another beyond noise.
    """
    from tempotape.unit.fit import fit_unit  # noqa: PLC0415 - a second to load
    from tempotape.unit.steadiness import flutter_curve  # noqa: PLC0415

    fit = fit_unit(unit)
    return complete(unit, fit, flutter_curve(unit, fit.curve))


def load_calibration(path: Path, *, keep_in: Path | None = None) -> Calibration:
    """Read the unit file at `path` and fit it, or take the fit kept in the folder `keep_in`.

    Raises InputFault as `read_unit` and `calibrate` do. A kept fit that is damaged, or a folder
    that cannot be written, costs the time of fitting again and nothing else.
    """
    unit = read_unit(path)
    known = kept_calibration(unit, keep_in) if keep_in else None
    if known is not None:
        return known
    try:
        calibration = calibrate(unit)
    except InputFault as fault:
        raise fault.located(source=str(path)) from None
    if keep_in is not None:
        with contextlib.suppress(OSError, InputFault):
            keep_in.mkdir(parents=True, exist_ok=True)
            kept = msgspec.json.encode((calibration.fit, calibration.flutter))
            write_whole(_place(unit, keep_in), kept.decode())
            _forget_oldest(keep_in)
    return calibration


def kept_calibration(unit: Unit, keep_in: Path) -> Calibration | None:
    """The unit with its fit as kept in the folder, at once; None where none is kept there."""
    try:
        fit, flutter = msgspec.json.decode(
            _place(unit, keep_in).read_bytes(), type=tuple[Fit, FlutterCurve]
        )
    except (OSError, msgspec.MsgspecError):
        return None
    return complete(unit, fit, flutter)


def _place(unit: Unit, folder: Path) -> Path:
    return folder / f"fit-{_fingerprint(unit)}.json"


def complete(unit: Unit, fit: Fit, flutter: FlutterCurve) -> Calibration:
    """A unit with its fitted parts, and the stretches that follow from them."""
    curve = fit.curve
    low, high = curve.measured_low, curve.measured_high
    # Slow to fast. Unstable is always the slow end, so trust begins at one reading and lasts.
    scale = curve.knob if curve.faster_up else curve.knob[::-1]
    slow, fast = (low, high) if curve.faster_up else (high, low)

    def shaky(knob: float) -> bool:
        return flutter.zone_at(curve, knob) == "unstable"

    trusted: tuple[float, float] | None = (slow, fast)
    if shaky(fast):
        trusted = None
    elif shaky(slow):
        trusted = (_where_it_ends(shaky, slow, fast), fast)
    unstable: tuple[float, float] | None = None
    if shaky(scale[0]):
        end = scale[-1] if shaky(scale[-1]) else _where_it_ends(shaky, scale[0], scale[-1])
        unstable = (min(scale[0], end), max(scale[0], end))
    return Calibration(unit, fit, flutter, trusted, unstable)


def _where_it_ends(shaky: Callable[[float], bool], inside: float, outside: float) -> float:
    """The first reading, from `inside` to `outside`, that is not shaky, to a billionth."""
    for _ in range(32):
        middle = (inside + outside) / 2
        if shaky(middle):
            inside = middle
        else:
            outside = middle
    return outside


def _fingerprint(unit: Unit) -> str:
    """What a fit depends on: the unit's content and the code that fits it."""
    content = hashlib.sha256(msgspec.json.encode(unit))
    for source in sorted(Path(__file__).parent.glob("*.py")):
        content.update(source.read_bytes())
    return content.hexdigest()[:32]


def _forget_oldest(folder: Path) -> None:
    kept = sorted(folder.glob("fit-*.json"), key=lambda file: file.stat().st_mtime)
    for file in kept[:-MOST_KEPT]:
        file.unlink(missing_ok=True)
