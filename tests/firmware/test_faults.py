"""An ordinary bad day: unplugged, reset, bytes lost and flipped, a stalled host, the wrong baud rate."""

import numpy as np
import pytest

from biofeedback.errors import SourceError
from biofeedback.model import Chunk, Gap, Note

from .by_the_book import count_lines, read_good_lines
from .simulated_board import make_wave

pytestmark = pytest.mark.toolchain


def test_unplugged_and_plugged_in_again(make_board, listen_to):
    board = make_board()
    listener = listen_to(board)
    listener.listen_frames(1000)
    board.unplug()
    seen_s = listener.listen(lambda: listener.reader.trouble)
    assert seen_s < 0.5
    listener.listen(lambda: any("no data" in gap.reason for gap in listener.of(Gap)))
    listener.listen_frames(700)
    board.replug()
    back_s = listener.listen(lambda: isinstance(listener.items[-1], Chunk))
    assert back_s < 2.0
    listener.listen_frames(500)
    assert listener.reader.trouble == ""
    assert_whole(listener)


def test_reset_in_the_middle(make_board, listen_to):
    board = make_board(boot_ms=500)
    listener = listen_to(board)
    listener.listen_frames(1000)
    board.tell("reset")
    back_s = listener.listen(lambda: any("reset=button" in note.text for note in listener.of(Note)))
    assert back_s < 2.0
    listener.listen_frames(1000)
    assert_whole(listener)
    missing_s = sum(gap.n_frames for gap in listener.of(Gap)) / 1000
    assert missing_s == pytest.approx(0.52, abs=0.15)  # start loader and boot line


@pytest.mark.parametrize("fault", ["lose", "corrupt"])
def test_every_frame_is_true_or_missing(make_board, listen_to, fault):
    """Lost and flipped bytes: what is kept is what was sent, what is not is a gap of known length."""
    board = make_board(wave=make_wave(), bridge=1 << 17)
    listener = listen_to(board)
    for n_bytes in (1, 30, 400, 5):
        listener.listen_frames(300)
        board.tell(f"{fault} {n_bytes}")
    listener.listen_frames(500)
    assert_whole(listener)
    sent = read_good_lines(listener.received)
    first = min(sent)
    kept = {
        first + chunk.first_frame + i: list(row) for chunk in listener.of(Chunk) for i, row in enumerate(chunk.counts)
    }
    assert kept == {seq: frame[2:] for seq, frame in sent.items() if seq <= max(kept)}
    n_missing = max(kept) - first + 1 - len(kept)
    assert 4 <= n_missing <= 30
    assert sum(gap.n_frames for gap in listener.of(Gap)) == n_missing
    assert listener.reader.trouble == ""


def test_stalled_host_loses_what_the_bridge_cannot_hold_and_knows_how_much(make_board, open_wire):
    board = make_board(wave=make_wave(), bridge=512)
    wire = open_wire(board)
    wire.read_until(count_lines(200))
    before = board.stats["sent"]
    while board.stats["sent"] < before + 60_000:  # nobody reads for one and a half seconds
        pass
    n = wire.received.count(b"\n")
    wire.read_until(count_lines(n + 1000))
    assert board.stats["lost_full"] > 10_000
    good = [frame[:2] for frame in read_good_lines(wire.received).values()]
    steps = np.diff(np.array(good), axis=0)
    assert np.array_equal(steps[:, 0] * 1000, steps[:, 1])  # sequence and clock agree on what is missing
    assert steps[:, 0].max() > 200


def test_wrong_baud_rate_is_named(make_board, listen_to):
    board = make_board()
    with pytest.raises(SourceError, match="baud"):
        listen_to(board, board.url.replace("baud=500000", "baud=115200"))


def assert_whole(listener):
    """Every frame is in exactly one chunk or gap."""
    next_frame = 0
    for item in listener.items:
        if not isinstance(item, Note):
            assert item.first_frame == next_frame
            next_frame = item.end_frame
