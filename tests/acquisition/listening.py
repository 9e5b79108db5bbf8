"""Reading a source in tests, whatever its wire."""

from biofeedback.acquisition.sources import open_source
from biofeedback.model import Chunk


def opened(url):
    source = open_source(url)
    source.open()
    return source


def read_until(reader, enough, *, most=400):
    """Items up to where ``enough(items)``; a read takes at most some 50 ms."""
    items = []
    for _ in range(most):
        items += reader.read()
        if enough(items):
            return items
    raise AssertionError(f"not in {most} reads: {items[-3:]}")


def rows(items):
    return [row for item in items if isinstance(item, Chunk) for row in item.counts.tolist()]


def n_frames(items):
    return len(rows(items))
