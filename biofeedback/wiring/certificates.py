"""Scale certificates beside the recordings: kept when the page makes one, used from the next start on."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from biofeedback.calibration.scale import Certificate
from biofeedback.errors import CalibrationError
from biofeedback.model import Channel
from biofeedback.storage.disk import make_folder, make_private_file
from biofeedback.storage.whole_file import write_whole
from biofeedback.toml_file import read_text_file

FOLDER = "certificates"


@dataclass(frozen=True, slots=True)
class KeptCertificate:
    """A certificate and the file it is in."""

    path: Path
    certificate: Certificate

    def to_settings(self) -> dict[str, str]:
        """For a recording's settings: which one scaled the channel."""
        heaviest = f"{max(self.certificate.loads):.10g}"  # in the channel's unit, which is the certificate's
        made = {"sensor": self.certificate.sensor, "utc": self.certificate.utc}
        return {"file": self.path.name, **made, "heaviest": heaviest}


def name_sensor(url: str) -> str:
    """What stays the same of a source when rate, factors or speed in its URL change."""
    return "|".join(part.partition("?")[0].strip() for part in url.split("|"))  # join: names several


def save_certificate(folder: Path, url: str, data: Mapping[str, Any]) -> Path:
    """Keep ``data`` of a "certificate" event as a dated file that only its user can read, never over an older one.

    Raises CalibrationError when the disk refuses.
    """
    stamp = "".join(letter for letter in str(data["utc"])[:19] if letter.isdigit())
    told = f"{str(data['sensor'])[:40]}-{data['channel']}"
    name = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in told)
    stem, number = f"{name}-{stamp}", 1
    text = json.dumps({**data, "source": name_sensor(url)}, indent=1, ensure_ascii=False)
    try:
        make_folder(folder)
        while True:
            path = folder / f"{stem}{'' if number == 1 else f'-{number}'}.json"
            try:
                with write_whole(path, replace=False) as beside:
                    make_private_file(beside)
                    beside.write_text(text, encoding="utf-8")
                break
            except FileExistsError:
                number += 1
    except OSError as error:
        raise CalibrationError(
            f"the certificate was not saved in {folder}: {error.strerror or error}",
            "free some disk space, or check that you may write in that folder; the recording has it too",
        ) from error
    return path


def find_certificate(folder: Path, url: str, channel: str) -> KeptCertificate | None:
    """The newest certificate of this sensor and channel; files that are none are told and left out."""
    found: list[KeptCertificate] = []
    for path in sorted(folder.glob("*.json")):
        try:
            kept = read_kept(path, url, channel)
        except CalibrationError as error:
            print(f"{path} is left out: {error}", file=sys.stderr)
            continue
        if kept:
            found.append(kept)
    return max(found, key=lambda kept: (kept.certificate.utc, kept.path.name), default=None)


def read_kept(path: Path, url: str, channel: str) -> KeptCertificate | None:
    """The certificate in ``path`` if it is of this sensor and channel; CalibrationError when it is none at all."""
    certificate = read_certificate(path)
    origin = json.loads(read_text_file(path))
    is_own = (origin.get("source"), origin.get("channel")) == (name_sensor(url), channel)
    return KeptCertificate(path, certificate) if is_own else None


def read_certificate(path: Path) -> Certificate:
    """Read one; CalibrationError when it cannot be read or scales nothing."""
    try:
        certificate = Certificate.from_json(read_text_file(path))
        certificate.scaled(Channel(name="force", kind="force"))
    except (OSError, UnicodeDecodeError) as error:
        raise CalibrationError(f"certificate {path} cannot be read", "make one with biofeedback scale") from error
    except (ValueError, TypeError, LookupError, ArithmeticError, RecursionError) as error:
        raise CalibrationError(f"certificate {path} is damaged", "make a new one: biofeedback scale") from error
    return certificate


def choose_certificates(
    channels: Sequence[Channel], texts: Sequence[str], *, folder: Path | None, url: str
) -> dict[str, KeptCertificate]:
    """By channel: those asked for as ``CHANNEL=FILE``; for other force channels the newest in ``folder``, if any."""
    names = [channel.name for channel in channels]
    chosen: dict[str, KeptCertificate] = {}
    for text in texts:
        name, _, path = text.partition("=")
        if name not in names:
            raise CalibrationError(f"--certificate {text}: no channel {name!r}", f"use one of {', '.join(names)}")
        chosen[name] = KeptCertificate(Path(path), read_certificate(Path(path)))
    for channel in channels:
        if folder is None or channel.kind != "force" or channel.name in chosen:
            continue
        kept = find_certificate(folder, url, channel.name)
        if kept:
            chosen[channel.name] = kept
            print(
                f"{channel.name}: scaled by the certificate {kept.path} of {kept.certificate.utc[:10]}, sensor "
                f"{kept.certificate.sensor}; another sensor? --no-certificate"
            )
    return chosen


def scale_channels(
    channels: Sequence[Channel], chosen: Mapping[str, KeptCertificate]
) -> tuple[list[Channel], dict[str, Any]]:
    """The channels with the factors and offsets of their certificates, and what their recording says of that."""
    scaled = [chosen[c.name].certificate.scaled(c) if c.name in chosen else c for c in channels]
    used = {name: kept.to_settings() for name, kept in chosen.items()}
    return scaled, {"certificates": used} if used else {}
