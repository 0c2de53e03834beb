"""Logs of MIDI messages: what is written is read back, what is wrong is told by its line."""

import itertools
import json
import os
import random
import threading
import tracemalloc

import pytest

from tempotape.faults import InputFault
from tempotape.tempo.clock import ClockFollower
from tempotape.tempo.clock_log import ClockLog, LoggedMessage, read_log, replay

EXAMPLE = '{"t_s": 12.0208, "bytes": "f8"}'
CLOCK = b"\xf8"


def ticks(count, period_s=0.02, from_s=0.0):
    return [LoggedMessage(from_s + n * period_s, CLOCK) for n in range(count)]


def test_what_is_written_is_read_back(tmp_path):
    # Times as a driver gives them, and messages of one to three bytes and system exclusive.
    messages = [(12.0208, b"\xf8"), (12.03, b"\x90\x3c\x40"), (13, b"\xf0\x7e\x7f\xf7")]
    log = ClockLog(tmp_path / "new.jsonl")
    log.write(messages[:2])
    log.write(messages[2:])
    log.close()
    assert [(m.t_s, m.message) for m in read_log(tmp_path / "new.jsonl")] == messages


def test_a_line_is_as_the_design_has_it(tmp_path):
    path = tmp_path / "new.jsonl"
    ClockLog(path).write([(12.0208, CLOCK)])
    # Written before the file is closed: a crash now would lose nothing.
    assert json.loads(path.read_text()) == json.loads(EXAMPLE)
    assert path.read_text().endswith("\n")


def test_an_existing_file_is_not_overwritten(tmp_path):
    path = tmp_path / "old.jsonl"
    path.write_text("mine")
    with pytest.raises(InputFault) as caught:
        ClockLog(path)
    assert caught.value.sentence == f"{path}: is there already; expected a name for a new log"
    assert path.read_text() == "mine"


def test_a_log_that_cannot_be_made_is_told(tmp_path):
    path = tmp_path / "none" / "new.jsonl"
    with pytest.raises(InputFault) as caught:
        ClockLog(path)
    told = "cannot be written: No such file or directory; expected a log that can be written"
    assert caught.value.sentence == f"{path}: {told}"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no full disk to write to")  # noqa: PTH110
def test_a_full_disk_is_told_and_raises_nothing(tmp_path):
    log = ClockLog(tmp_path / "new.jsonl")
    log._file = open("/dev/full", "wb")  # noqa: PTH123, SIM115
    log.write([(1.0, CLOCK)])
    log.write([(2.0, CLOCK)])
    log.close()
    assert log.problem == f"{tmp_path}/new.jsonl: cannot be written: No space left on device"


def test_what_arrives_after_closing_is_dropped(tmp_path):
    path = tmp_path / "new.jsonl"
    log = ClockLog(path)
    log.close()
    log.close()
    log.write([(1.0, CLOCK)])
    assert (path.read_text(), log.problem) == ("", "")


def test_batches_from_several_threads_stay_whole(tmp_path):
    path = tmp_path / "new.jsonl"
    log = ClockLog(path)

    def write(number):
        for _ in range(100):
            log.write([(float(number), bytes([0x90, number, 1]))] * 5)

    threads = [threading.Thread(target=write, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    log.close()
    messages = list(read_log(path))
    assert len(messages) == 2000
    assert all(m.message[1] == m.t_s for m in messages)


GOOD = b'{"t_s": 1, "bytes": "F8"}\n'
T_S = "seconds, at most 2e+10"
HEX = 'one MIDI message in hex, as "f8"'


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (b"f8 at twelve", f'is "f8 at twelve"; expected {EXAMPLE}'),
        (b'{"t_s": 1,', f'is "{{"t_s": 1,"; expected {EXAMPLE}'),
        (b'{"t_s": NaN, "bytes": "f8"}', 'is "{"t_s": NaN, "bytes": "f8"}"; expected ' + EXAMPLE),
        (b"\xff\xfe\x00", f'is "\ufffd\ufffd"; expected {EXAMPLE}'),
        (b'{"a":' + b"[" * 60_000, f'is "{{"a":{"[" * 35}…"; expected {EXAMPLE}'),
        (b"[1, 2]", f"is not one message; expected {EXAMPLE}"),
        (b'{"bytes": "f8"}', f"t_s is missing or not a number of seconds; expected {EXAMPLE}"),
        (
            b'{"t_s": "1", "bytes": "f8"}',
            f"t_s is missing or not a number of seconds; expected {EXAMPLE}",
        ),
        (
            b'{"t_s": 1e999, "bytes": "f8"}',
            f"t_s is missing or not a number of seconds; expected {EXAMPLE}",
        ),
        (b'{"t_s": 1}', f"bytes is missing or not text; expected {EXAMPLE}"),
        (b'{"t_s": 1, "bytes": 248}', f"bytes is missing or not text; expected {EXAMPLE}"),
        (b'{"t_s": 1e300, "bytes": "f8"}', f"t_s is 1e+300; expected {T_S}"),
        (b'{"t_s": -3e10, "bytes": "f8"}', f"t_s is -3e+10; expected {T_S}"),
        (b'{"t_s": 1, "bytes": "f"}', f'bytes is "f"; expected {HEX}'),
        (b'{"t_s": 1, "bytes": ""}', f'bytes is ""; expected {HEX}'),
        (b'{"t_s": 1, "bytes": "xy"}', f'bytes is "xy"; expected {HEX}'),
        (b'{"t_s": 1, "bytes": "3c40"}', f'bytes is "3c40"; expected {HEX}'),
        (b'{"t_s": 1, "bytes": "f8f8"}', f'bytes is "f8f8"; expected {HEX}'),
        (b'{"t_s": 1, "bytes": "\\u001b[2J"}', f'bytes is "[2J"; expected {HEX}'),
        (b" " * 70_000, f"is longer than 65536 characters; expected {EXAMPLE}"),
    ],
    ids=itertools.count(),
)
def test_a_bad_line_is_told_with_its_number(tmp_path, line, told):
    path = tmp_path / "bad.jsonl"
    path.write_bytes(GOOD + b"\n" + line + b"\n" + GOOD)
    messages = read_log(path)
    assert next(messages) == LoggedMessage(1.0, CLOCK)
    with pytest.raises(InputFault) as caught:
        list(messages)
    assert caught.value.sentence == f"{path}: line 3: {told}"


def test_a_first_line_broken_off_is_no_log(tmp_path):
    path = tmp_path / "bad.jsonl"
    path.write_text('{"t_s')
    with pytest.raises(InputFault, match="line 1: is"):
        list(read_log(path))


def test_a_last_line_broken_off_by_a_crash_is_left_out(tmp_path):
    path = tmp_path / "crash.jsonl"
    path.write_bytes(GOOD * 2 + GOOD[:13])
    assert len(list(read_log(path))) == 2
    path.write_bytes(GOOD * 2 + GOOD.strip())
    assert len(list(read_log(path))) == 3


def test_what_some_editors_leave_in_a_file_does_no_harm(tmp_path):
    path = tmp_path / "edited.jsonl"
    spaced = b'  {"t_s": 2, "bytes": "90 3C 40", "port": "drums"}\r\n\r\n'
    path.write_bytes(b"\xef\xbb\xbf" + GOOD + spaced)
    assert list(read_log(path)) == [
        LoggedMessage(1.0, CLOCK),
        LoggedMessage(2.0, b"\x90\x3c\x40"),
    ]


def test_an_empty_log_says_nothing(tmp_path):
    path = tmp_path / "empty.jsonl"
    path.touch()
    assert list(replay(read_log(path))) == []


@pytest.mark.parametrize(
    ("name", "told"),
    [
        (".", "is a folder; expected a clock log"),
        ("none.jsonl", "no such file; expected a clock log"),
        ("no\0ne", "cannot be read: embedded null byte; expected a clock log"),
        ("x" * 300, "cannot be read: File name too long; expected a clock log"),
    ],
)
def test_what_is_no_file_is_told(tmp_path, name, told):
    with pytest.raises(InputFault) as caught:
        list(read_log(tmp_path / name))
    assert caught.value.sentence.endswith(told)


def test_a_gap_shows_lost_at_its_time_and_the_end_of_the_log_is_no_loss():
    told = list(replay(ticks(100) + ticks(100, from_s=6.0)))
    lost = [reading for reading in told if reading.state == "lost"]
    # Half a second of silence after the last tick, which came at 1.98 s.
    assert [reading.t_s for reading in lost] == [pytest.approx(2.48)]
    assert lost[0].tempo_bpm == pytest.approx(125)
    assert told[-1].state == "locked"
    times = [reading.t_s for reading in told]
    assert times == sorted(times)


def test_other_traffic_in_a_gap_tells_the_loss_once():
    sensing = [LoggedMessage(2 + n * 0.3, b"\xfe") for n in range(10)]
    states = [reading.state for reading in replay(ticks(100) + sensing)]
    assert states.count("lost") == 1
    assert states[-1] == "lost"


def test_every_event_that_changes_the_reading_is_told_and_no_other():
    messages = ticks(50)
    messages.insert(30, LoggedMessage(0.59, b"\x90\x3c\x40"))
    messages += [LoggedMessage(1.0, b"\xfa"), LoggedMessage(1.001, b"\xfa")]
    messages += [LoggedMessage(1.002, b"\xfc")]
    told = list(replay(messages))
    follower = ClockFollower()
    expected = []
    for logged in messages:
        follower.feed(logged.t_s, logged.message)
        reading = follower.at(logged.t_s)
        now = (reading.state, reading.tempo_bpm, reading.error_bpm, reading.running)
        if not expected or now != expected[-1]:
            expected.append(now)
    assert [(r.state, r.tempo_bpm, r.error_bpm, r.running) for r in told] == expected
    assert [r.running for r in told][-2:] == [True, False]
    assert 0.59 not in [r.t_s for r in told]


def test_slight_disorder_and_times_that_begin_anew_are_followed():
    messages = ticks(100) + ticks(100, from_s=-5.0)
    messages[50], messages[51] = messages[51], messages[50]
    assert list(replay(messages))[-1].tempo_bpm == pytest.approx(125, abs=0.01)


def test_a_million_random_lines_or_bytes_neither_crash_nor_fill_memory(tmp_path):
    rng = random.Random(1)
    path = tmp_path / "fuzz.jsonl"

    def statuses():
        while True:
            first = rng.choice([0xF8] * 30 + [*range(0x80, 0x100)])
            yield bytes([first, *rng.choices(range(0x80), k=rng.choice([0, 1, 2]))])

    def run(count):
        t_s = 0.0
        for message in itertools.islice(statuses(), count):
            t_s += rng.choice([0.02, 0.02, 0.02, rng.uniform(-0.3, 1.0)])
            yield LoggedMessage(t_s, message)

    tracemalloc.start()
    for count in (2_000, 20_000):
        for reading in replay(run(count)):
            assert reading.tempo_bpm is None or 15 <= reading.tempo_bpm <= 480
        if count == 2_000:
            tracemalloc.reset_peak()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 3e6
    for _ in range(1000):
        path.write_bytes(GOOD + rng.randbytes(1000) + b"\n" + GOOD)
        with pytest.raises(InputFault, match=r"line \d"):
            list(read_log(path))
