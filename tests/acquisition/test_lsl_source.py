"""Streams of the lab streaming layer, sent by its own library; discovery stays on this computer."""

import itertools
import os
import time
from types import SimpleNamespace

import pytest

from biofeedback.acquisition import lsl_source
from biofeedback.acquisition.reader import make_reader
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SourceError
from biofeedback.model import Chunk, Gap, Note

from ..requirements import need
from .listening import n_frames, read_until, rows

try:
    import pylsl
except (ImportError, RuntimeError):
    pylsl = None


NUMBERS = itertools.count()


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    need(pylsl, "not installed: pylsl")
    monkeypatch.setattr(lsl_source, "FIND_S", 1.0)


class Sender:
    """An outlet that pushes what is due: sample k is (k, -k)."""

    def __init__(self, name, *, rate_hz=100.0, labels=("force", "emg_1"), kind="", source_id=None, nominal_hz=None):
        nominal_hz = rate_hz if nominal_hz is None else nominal_hz
        source_id = f"id of {name}" if source_id is None else source_id
        info = pylsl.StreamInfo(name, kind, len(labels), nominal_hz, "float32", source_id)
        described = info.desc().append_child("channels")
        for label in labels:
            channel = described.append_child("channel")
            channel.append_child_value("label", label)
            channel.append_child_value("unit", "N" if "force" in label.lower() else "uV")
        self.outlet, self.rate_hz, self.n_labels = pylsl.StreamOutlet(info), rate_hz, len(labels)
        self.started_s, self.k, self.stalled = None, 0, False

    def push(self):
        now_s = time.monotonic()
        self.started_s = self.started_s or now_s
        while not self.stalled and self.k < (now_s - self.started_s) * self.rate_hz:
            self.outlet.push_sample([float(self.k), float(-self.k)][: self.n_labels])
            self.k += 1


@pytest.fixture
def opened():
    sources = []

    def open_one(url):
        source = open_source(url)
        sources.append(source)
        source.open()
        return source

    yield open_one
    for source in sources:
        source.close()


def listen(source, sender, enough, **options):
    """Items up to where ``enough``; the sender sends before every read."""
    reader = make_reader(source)

    def read():
        sender.push()
        return reader.read()

    return read_until(SimpleNamespace(read=read), enough, **options)


def test_samples_arrive_as_they_were_sent_with_channels_as_described(opened):
    sender = Sender("strap")
    source = opened("lsl:strap")
    items = listen(source, sender, lambda items: n_frames(items) >= 100)
    assert [(c.name, c.kind, c.unit) for c in source.channels] == [("force", "force", "N"), ("emg_1", "emg", "uV")]
    assert source.rate_hz == 100
    assert rows(items) == [[k, -k] for k in range(len(rows(items)))]
    assert not [item for item in items if isinstance(item, Gap)]
    assert source.device_id.startswith("id of strap on ")


def test_channels_and_rate_may_be_said_instead(opened):
    sender = Sender("nameless", labels=("first", "second"), nominal_hz=0.0)
    source = opened("lsl:nameless?channels=force_left:N,force_right:N&rate=100")
    assert n_frames(listen(source, sender, lambda items: n_frames(items) >= 20)) >= 20
    assert [channel.name for channel in source.channels] == ["force_left", "force_right"]


def test_a_stream_of_a_kind_lends_it_to_its_labels(opened):
    sender = Sender("muscle", labels=("biceps femoris", "semitendinosus"), kind="EMG")
    source = opened("lsl:muscle")
    assert sender.n_labels == 2
    assert [channel.name for channel in source.channels] == ["emg_biceps_femoris", "emg_semitendinosus"]


def test_a_stall_that_ends_in_a_burst_costs_nothing(opened):
    sender = Sender("stalls")
    source = opened("lsl:stalls")
    items = listen(source, sender, lambda items: n_frames(items) >= 50)
    sender.stalled = True
    items += listen(source, sender, lambda _: source.trouble)
    sender.stalled = False
    items += listen(source, sender, lambda items: n_frames(items) >= 60)
    assert rows(items) == [[k, -k] for k in range(len(rows(items)))]
    assert not [item for item in items if isinstance(item, Gap)]
    assert source.trouble == ""
    assert [item.text for item in items if isinstance(item, Note)] == [lsl_source.NO_DATA, "data again from the stream"]


def test_a_stream_that_ends_and_returns_under_its_id_goes_on(opened):
    sender = Sender("returns")
    source = opened("lsl:returns")
    items = listen(source, sender, lambda items: n_frames(items) >= 30)
    sent = sender.k
    sender.outlet = None
    sender.stalled = True
    items += listen(source, sender, lambda _: source.trouble)
    again = Sender("returns")
    items += listen(source, again, lambda items: n_frames(items) >= 30, most=900)
    spans = [item for item in items if not isinstance(item, Note)]
    assert all(a.end_frame == b.first_frame for a, b in itertools.pairwise(spans))
    assert len(rows(items)) >= sent + 30  # nothing that was sent is lost
    assert any(isinstance(item, Gap) for item in spans)
    assert source.trouble == ""


def test_two_of_one_name_are_told_by_their_ids(opened):
    both = [Sender("twin", source_id="left"), Sender("twin", source_id="right")]
    with pytest.raises(SourceError, match=r"2 streams are named 'twin': .*(left|right) on .*(left|right) on"):
        opened("lsl:twin")
    assert len(both) == 2


@pytest.mark.parametrize(
    ("sender", "url", "says"),
    [
        ({"labels": ("a", "b")}, "lsl:wrong", "does not say what it measures"),
        ({}, "lsl:wrong?channels=force:N", "has 2 channels"),
        ({"nominal_hz": 0.0}, "lsl:wrong", "does not say its rate"),
        ({}, "lsl:nobody", "there is no stream 'nobody'; .*streams that are here: .*wrong"),
    ],
)
def test_what_does_not_fit_is_told(opened, sender, url, says):
    name = f"wrong{next(NUMBERS)}of{os.getpid()}"  # streams of tests that run beside this one have other names
    kept = Sender(name, **sender)
    with pytest.raises(SourceError, match=says):
        opened(url.replace("wrong", name))
    assert kept.k == 0


def test_a_stream_of_words_is_no_sensor(opened):
    outlet = pylsl.StreamOutlet(pylsl.StreamInfo("words", "Markers", 1, 0, "string", "w"))
    with pytest.raises(SourceError, match="carries words"):
        opened("lsl:words?rate=10")
    assert outlet.have_consumers() is False


def test_missing_numbers_are_missing_and_not_zero(opened):
    sender = Sender("holes")
    source = opened("lsl:holes")
    listen(source, sender, lambda items: n_frames(items) >= 5)
    sender.outlet.push_sample([float("nan"), 7.0])
    items = listen(source, sender, lambda items: any(row[1] == 7.0 for row in rows(items)))
    assert any(row[0] != row[0] for item in items if isinstance(item, Chunk) for row in item.counts.tolist())
