"""A whole measurement of one recording."""

import time
from concurrent.futures import CancelledError

import msgspec
import numpy as np
import pytest
import soundfile

from tempotape.bench.measure import FIRST_PASS, METERED, Lengths, _meanwhile, _sounds_s, measure
from tempotape.bench.repeats import Octave
from tempotape.bench.report import report_text
from tempotape.bench.thinned import Thinner
from tempotape.faults import InputFault
from tests.simulated_unit import SimulatedUnit, beside, clicks, mixed, play

RATE_HZ = 48_000
UNIT = SimulatedUnit(gap_mm=60.0, speed_mm_s=120.0, feedback=0.5, hiss=2e-4)
SECONDS = 13
TIMES_S = [0.5, 1.4, 3.1, 4.0, 5.8, 7.5, 8.2, 10.1]
CLICKS = clicks(TIMES_S, SECONDS * RATE_HZ, RATE_HZ)
PLAYED = play(UNIT, CLICKS, RATE_HZ)
TURNED = "the played sound seems to be on the right and the unit on the left"


@pytest.fixture
def take(tmp_path):
    def written(sound, rate_hz=RATE_HZ, **how):
        path = tmp_path / "take.wav"
        soundfile.write(path, sound, rate_hz, **how)
        return path

    return written


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """Of dry left and wet right."""
    path = tmp_path_factory.mktemp("stereo") / "take.wav"
    soundfile.write(path, beside(CLICKS, PLAYED), RATE_HZ)
    return measure(path, lengths=Lengths(loop_mm=640.0, gap_mm=60.0))


def test_clicks_in_stereo_give_delay_and_loop_gain(report):
    assert report.duration_s == SECONDS
    assert report.delay.ms == pytest.approx(500.0, abs=0.1)
    assert report.repeats.loop_gain_db == pytest.approx(20 * np.log10(0.5), abs=0.3)
    # The tape's speed is gap over delay, one turn loop over speed.
    assert report.speed_mm_s == pytest.approx(120.0, rel=1e-3)
    assert report.loop_period_s == pytest.approx(640 / 120, rel=1e-3)
    assert report.flutter is None
    assert any(warning.startswith("flutter: ") for warning in report.warnings)
    assert TURNED not in report.warnings


def test_the_splice_is_told_of_played_sounds_and_their_repeats(report):
    assert _sounds_s(None) == []
    expected = [at + times * 0.5 for at in TIMES_S for times in range(4)]
    assert _sounds_s(report.delay) == pytest.approx(expected, abs=0.01)


def test_the_sides_may_be_turned_round(take):
    report = measure(take(beside(CLICKS, PLAYED)[:, ::-1]))
    assert report.delay.ms == pytest.approx(500.0, abs=0.1)
    assert TURNED in report.warnings


@pytest.mark.parametrize("kind", ["burst", "sample"])
def test_a_played_sound_too_bright_for_the_tape_is_told_from_repeats_alone(take, kind):
    # x + g w, where w = H D (x + g w), is x / (1 - g H D): what a unit makes of a shorter sound.
    # But its first sound has not passed H, a low pass; alone, it has.
    sound = clicks(TIMES_S, SECONDS * RATE_HZ, RATE_HZ, kind)
    played = play(UNIT, sound, RATE_HZ)
    mix = measure(take(mixed(sound, played, 1.0, 0.5), subtype="PCM_24"))
    assert mix.delay.ms == pytest.approx(500.0, abs=0.1)
    assert mix.repeats.loop_gain_db == pytest.approx(20 * np.log10(0.5), abs=0.3)
    wet = measure(take(played.wet, subtype="PCM_24"))
    assert wet.delay is None
    assert any("this seems to be the unit's sound alone" in warning for warning in wet.warnings)


def test_the_same_mix_on_both_sides_or_on_one(take):
    mix = mixed(CLICKS, PLAYED)
    for channels, told in (
        ((mix, mix), None),
        ((mix, 0 * mix), "the right channel is left aside: no sound begins there"),
        ((0 * mix, mix), "the left channel is left aside: no sound begins there"),
        ((mix, -mix), "the right channel is left aside: it is the left one turned over"),
    ):
        report = measure(take(np.column_stack(channels)))
        assert report.delay.ms == pytest.approx(500.0, abs=0.1)
        assert [w for w in report.warnings if "left aside" in w] == ([told] if told else [])


def test_a_stretch_of_a_recording_is_measured_alone(take):
    long = np.concatenate((np.zeros(5 * RATE_HZ), mixed(CLICKS, PLAYED), np.zeros(5 * RATE_HZ)))
    report = measure(take(long), span_s=(5.0, 5.0 + SECONDS))
    assert report.duration_s == SECONDS
    assert report.delay.series[0].t_s == pytest.approx(0.5, abs=0.002)


def test_clipping_and_a_very_low_level_are_told(take):
    clipped = measure(take(np.clip(8 * mixed(CLICKS, PLAYED), -1, 1)))
    assert any(w.startswith("the recording is clipped: ") for w in clipped.warnings)
    quiet = measure(take(5e-4 * mixed(CLICKS, PLAYED), subtype="PCM_24"))
    assert "the recording is very quiet: its peak is -78 dBFS" in quiet.warnings


def test_silence_and_hiss_alone_show_nothing_and_say_why(take):
    for sound in (np.zeros(8 * RATE_HZ), np.random.default_rng(1).normal(0, 0.01, 8 * RATE_HZ)):
        report = measure(take(sound))
        assert (report.delay, report.repeats, report.flutter, report.splice) == (None,) * 4
        assert sum(w.startswith("no delay: ") for w in report.warnings) == 1
        assert sum(w.startswith("no loop gain: ") for w in report.warnings) == 1


@pytest.mark.parametrize(
    ("rate_hz", "channels", "subtype"),
    [(8_000, 1, "PCM_16"), (44_100, 1, "PCM_U8"), (192_000, 1, "PCM_16"), (48_000, 32, "PCM_16")],
)
def test_odd_formats_are_measured(take, rate_hz, channels, subtype):
    sound = clicks([0.5, 1.4, 2.2, 3.7, 4.4, 5.5, 6.9], 9 * rate_hz, rate_hz, "burst")
    unit = SimulatedUnit(gap_mm=60.0, speed_mm_s=120.0, high_hz=3000.0)
    mix = mixed(sound, play(unit, sound, rate_hz))
    path = take(np.tile(mix[:, None], (1, channels)), rate_hz, subtype=subtype)
    assert measure(path).delay.ms == pytest.approx(500.0, abs=0.15)


@pytest.mark.parametrize("sound", [mixed(CLICKS, PLAYED), CLICKS], ids=["mixed", "no echo"])
def test_progress_runs_from_nothing_to_all(take, sound):
    parts = []
    measure(take(sound), progress=parts.append)
    assert parts == sorted(parts)
    assert 0 <= parts[0] < 0.2
    assert parts[-1] == pytest.approx(1.0)


def test_interrupting_leaves_at_once(take):
    def stop(_part):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure(take(mixed(CLICKS, PLAYED)), progress=stop)


def test_what_is_done_meanwhile_is_given_up_where_the_rest_is_interrupted():
    parts, ended = [], []

    def work(told):
        try:
            for part in np.linspace(0, 1, 10_000):
                told(part)
                time.sleep(0.001)
        except CancelledError:
            ended.append(len(parts))
            raise

    def interrupted():
        with _meanwhile(work, parts.append, at_once=True):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert len(ended) == 1
    assert ended[0] < 5000


@pytest.mark.parametrize("at_once", [True, False])
def test_what_is_done_meanwhile_gives_its_result(at_once):
    with _meanwhile(
        lambda told: told(1.0) or "done", lambda _part: None, at_once=at_once
    ) as working:
        assert working.result() == "done"


def test_what_has_failed_meanwhile_is_told_before_its_result_is_asked_for():
    def work(_told):
        raise InputFault("is gone", expected="a disk")

    def asked_until_told():
        with _meanwhile(work, lambda _part: None, at_once=True) as working:
            for _ in range(1000):
                working.check()
                time.sleep(0.01)

    with pytest.raises(InputFault, match="is gone"):
        asked_until_told()


def test_a_long_recording_is_measured_one_thing_after_another(take, monkeypatch):
    path = take(mixed(CLICKS, PLAYED))
    at_once = measure(path)
    monkeypatch.setattr("tempotape.bench.measure.MOST_AT_ONCE_S", 1.0)
    monkeypatch.setattr("tempotape.bench.measure.ThreadPoolExecutor", None)
    assert measure(path) == at_once


@pytest.mark.parametrize("recording", [mixed(CLICKS, PLAYED), beside(CLICKS, PLAYED)])
def test_what_fails_meanwhile_fails_the_whole(take, recording):
    def stop(part):
        if FIRST_PASS < part <= METERED:
            raise InputFault("is gone", expected="a disk")

    with pytest.raises(InputFault, match="is gone"):
        measure(take(recording), progress=stop)


def test_a_short_recording_is_told(take):
    report = measure(take(CLICKS[:100]))
    assert report.delay is None


def test_what_is_not_audio_is_refused(tmp_path):
    path = tmp_path / "notes.wav"
    path.write_text("not audio " * 20)
    with pytest.raises(InputFault, match=r"is not audio \(Format not recognised\)"):
        measure(path)


def test_the_text_shows_each_figure_with_its_spread(report):
    lines = report_text(report).splitlines()
    assert lines[0] == "recording  13.0 s at 48000 Hz"
    assert lines[1].startswith("delay      500.0")
    assert "± 0.0" in lines[1]
    assert "8 attacks" in lines[1]
    assert "flutter    not to be told from this recording" in lines
    assert any(line.startswith("repeats    -6.") and " ± 0." in line for line in lines)
    assert "tape speed 120.0 mm/s" in lines
    assert any(line.startswith("note: flutter: ") for line in lines)


@pytest.mark.parametrize(
    ("lead_db", "told"),
    [
        (0.02, "no band leads: the strongest octaves differ by less than their errors"),
        (0.50, "first to feed itself: the octave around 125 Hz"),
    ],
)
def test_an_octave_leads_only_by_more_than_the_errors(report, lead_db, told):
    octaves = (Octave(125.0, -10.4 + lead_db, 0.08), Octave(250.0, -10.4, 0.03))
    repeats = msgspec.structs.replace(report.repeats, octaves=octaves)
    lines = report_text(msgspec.structs.replace(report, repeats=repeats)).splitlines()
    assert [line.strip() for line in lines if "feed itself" in line or "leads" in line] == [told]


def test_samples_far_beyond_full_scale_overflow_nothing(take, recwarn):
    sound = mixed(CLICKS, PLAYED)
    sound[5 * RATE_HZ] = 1e38
    report = measure(take(sound, subtype="FLOAT"))
    assert "1 sample is beyond 32 times full scale and counts as that" in report.warnings
    assert not [one for one in recwarn if issubclass(one.category, RuntimeWarning)]


def test_a_long_recording_is_held_outside_memory_and_reads_back_the_same(monkeypatch):
    sound = mixed(CLICKS, PLAYED)
    parts = []
    for most in (8_000_000, 10_000):
        monkeypatch.setattr("tempotape.bench.thinned.MOST_IN_MEMORY", most)
        thinner = Thinner(RATE_HZ)
        for begin in range(0, len(sound), 16_384):
            thinner.feed(sound[begin : begin + 16_384])
        thinned = thinner.thinned()
        parts.append(thinned.part(-100, len(thinned) + 100))
        thinned.close()
    assert np.array_equal(*parts)
    assert np.any(parts[0])


def test_no_room_for_a_long_recording_is_told(monkeypatch):
    class Full:
        def write(self, _held):
            raise OSError(28, "No space left on device")

    monkeypatch.setattr("tempfile.SpooledTemporaryFile", lambda _most: Full())
    thinner = Thinner(RATE_HZ)
    with pytest.raises(InputFault, match=r"a long recording cannot be held \(No space left on"):
        thinner.feed(CLICKS)


def test_a_loud_tick_amid_clicks_is_told_as_the_splice(take):
    # At -26 dBFS, where in silence alone it might be somebody's clicks.
    at_s = 0.5 + np.cumsum(np.random.default_rng(4).uniform(0.7, 1.9, 20))
    sound = clicks(at_s, 34 * RATE_HZ, RATE_HZ)
    unit = msgspec.structs.replace(
        UNIT, loop_mm=2.3 * UNIT.speed_mm_s, tick=0.05, hiss=1e-4, wow=((0.9, 0.002, 0.0),)
    )
    played = play(msgspec.structs.replace(unit, feedback=0.0), sound, RATE_HZ)
    report = measure(take(mixed(sound, played, 1.0, 0.5), subtype="PCM_24"))
    assert report.delay.ms == pytest.approx(500.0, abs=0.2)
    assert report.splice.period_s == pytest.approx(2.3, rel=1e-3)
    assert report.loop_period_s == report.splice.period_s
    assert not [warning for warning in report.warnings if warning.startswith("splice")]
