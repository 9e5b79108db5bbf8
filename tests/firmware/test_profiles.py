"""The two profiles of our own protocol on the real firmware: asked, started, read, found again."""

import re
from pathlib import Path

import numpy as np
import pytest

from biofeedback.model import Chunk, Gap, Note

NOTES = Path(__file__).parents[2] / "firmware-notes"
pytestmark = pytest.mark.toolchain
PROFILES = ["frame-lines", "frame-packets"]


def ramp(duration_s=10.0):
    """Both EMG channels and the force tell the time."""
    t = np.arange(round(duration_s * 1000)) / 1000
    return np.stack([500 * t, 5000 - 500 * t, 1e4 * t], 1)


def most_jumps(n_frames):
    """Times that the ramp may have jumped back in so many milliseconds: a conversion may fall in between."""
    return n_frames // 10_000 + 1


def n_beyond(values, limit):
    return np.count_nonzero(np.abs(values) > limit)


def url_of(board, profile):
    return f"serial:{board.path}?profile={profile}"


def counts_of(listener):
    return np.concatenate([chunk.counts for chunk in listener.of(Chunk)])


@pytest.mark.parametrize("profile", PROFILES)
def test_board_is_asked_and_read_without_a_gap(make_board, listen_to, profile):
    board = make_board(wave=ramp(), speed=0, boot_ms=0)
    listener = listen_to(board, url_of(board, profile), in_step=True)
    assert listener.source.rate_hz == 1000
    assert [channel.name for channel in listener.source.channels] == ["emg_1", "emg_2", "force"]
    assert listener.source.channels[2].rail_low_counts == -8388608
    listener.listen_frames(20_000)
    assert listener.of(Gap) == []
    assert listener.reader.n_bad_lines == 0
    counts = counts_of(listener)
    assert len(counts) == listener.reader.timeline.next_frame
    rising = counts[:, 0] / 1023 * 10
    falling = 10 - counts[:, 1] / 1023 * 10
    assert n_beyond(rising - falling, 0.03) <= most_jumps(len(counts))  # both converters saw the same moment
    age_s = (rising - counts[:, 2] / 1e4 + 1) % 10 - 1
    assert np.quantile(age_s[200:], 0.99) < 0.03


@pytest.mark.parametrize("profile", PROFILES)
def test_reset_and_unplugging_end_by_themselves(make_board, listen_to, profile):
    board = make_board(wave=ramp(), boot_ms=300)
    listener = listen_to(board, url_of(board, profile))
    listener.listen_frames(500)
    board.tell("reset")
    frame = listener.reader.timeline.next_frame
    back_s = listener.listen(lambda: any(chunk.first_frame > frame + 300 for chunk in listener.of(Chunk)))
    assert back_s < 2.3  # the start loader's 0.3 s and 2 s
    listener.listen_frames(300)
    board.unplug()
    listener.listen(lambda: listener.reader.trouble)
    board.replug()
    n = len(listener.items)
    back_s = listener.listen(lambda: any(isinstance(item, Chunk) for item in listener.items[n:]))
    assert back_s < 2.3
    listener.listen_frames(500)
    assert listener.reader.trouble == ""
    end = 0
    for item in listener.items:
        if not isinstance(item, Note):
            assert item.first_frame == end
            end = item.end_frame


@pytest.mark.parametrize("profile", PROFILES)
@pytest.mark.parametrize("fault", ["lose", "corrupt"])
def test_wire_faults_are_gaps_and_never_wrong_numbers(make_board, listen_to, profile, fault):
    board = make_board(wave=ramp(), speed=0, boot_ms=0)
    listener = listen_to(board, url_of(board, profile))
    for n_bytes in (1, 50, 300):
        listener.listen_frames(2000)
        n_gaps = len(listener.of(Gap))
        board.tell(f"{fault} {n_bytes}")
        listener.listen(lambda n_gaps=n_gaps: len(listener.of(Gap)) > n_gaps)  # frames under way come first
    listener.listen_frames(2000)
    missing = sum(gap.n_frames for gap in listener.of(Gap))
    assert 3 <= missing <= 120
    times_s = np.concatenate([chunk.first_frame + np.arange(chunk.n_frames) for chunk in listener.of(Chunk)]) / 1000
    rising = counts_of(listener)[:, 0] / 1023 * 10
    off = (rising - times_s - (rising[0] - times_s[0]) + 5) % 10 - 5
    assert n_beyond(off, 0.03) <= most_jumps(len(off))  # also after the gaps: their length is known


def test_sketch_tells_its_own_rate_and_columns(make_board, listen_to, sketch_elf):
    board = make_board(elf=sketch_elf, wave=ramp(), speed=0, boot_ms=0)
    listener = listen_to(board, url_of(board, "frame-lines"))
    assert listener.source.rate_hz == 500
    assert [channel.name for channel in listener.source.channels] == ["emg_1", "force"]
    listener.listen_frames(3000)
    assert counts_of(listener).shape[1] == 2


def test_the_command_in_the_notes_works(make_board, listen_to):
    (url,) = re.findall(r'--source "(serial:[^"]+)"', (NOTES / "README.md").read_text())
    board = make_board(wave=np.tile([2500, 1000, 200_000], (10, 1)), speed=0, boot_ms=0)
    listener = listen_to(board, url.replace("/dev/ttyUSB0", str(board.path)))
    listener.listen_frames(2000)
    last = counts_of(listener)[-1]
    values = [float(channel.scaled(last[i])) for i, channel in enumerate(listener.source.channels)]
    assert values == pytest.approx([2500, 1000, 100.0], abs=5)
    assert [channel.unit for channel in listener.source.channels] == ["mV", "mV", "N"]
