"""Files that commands make: whole under their name or not at all, and one line with the cure when the disk refuses."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from biofeedback.errors import BiofeedbackError, RecordingError
from biofeedback.storage import disk
from biofeedback.storage.whole_file import write_whole


@contextmanager
def writing(path: Path, *, replace: bool = True) -> Iterator[Path]:
    """Where to write what becomes ``path`` when the block ends well; nothing lies under that name before.

    Raises BiofeedbackError naming the file and the cure when it cannot be written.
    """
    try:
        with write_whole(path, replace=replace) as beside:
            yield beside
    except OSError as error:
        raise explain_refusal(path, error) from error


def explain_refusal(path: Path, error: OSError) -> BiofeedbackError:
    """What to say of a file that cannot be written."""
    what, cure = disk.explain(error)
    return RecordingError(f"{path} cannot be written: {what}", f"{cure}, or name another place")
