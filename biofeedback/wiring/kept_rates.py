"""The rates that sensors turned out to have, kept beside the recordings by a press and used from the next start on."""

from __future__ import annotations

import json
from pathlib import Path

from biofeedback.toml_file import read_text_file
from biofeedback.wiring.user_files import save_text

NAME = "rates.json"
Rates = dict[str, dict[str, str]]  # by source without its rate: the rate as it was declared to the rate that arrived


def keep_rate(folder: Path, url: str, rate_hz: float) -> None:
    """Keep that the sensor behind ``url`` sends ``rate_hz`` readings a second. PlanError when the disk refuses."""
    name, declared = _take_rate_out(url)
    kept = _read(folder)
    kept.setdefault(name, {})[declared] = f"{rate_hz:.4g}"
    save_text(folder / NAME, json.dumps(kept, indent=1))


def use_kept_rate(folder: Path, url: str) -> str:
    """``url`` with the rate that was kept for it; a rate that somebody declares otherwise since is left alone."""
    name, declared = _take_rate_out(url)
    rates, rate = _read(folder).get(name, {}), declared
    for _ in range(len(rates)):
        rate = rates.get(rate, rate)
    if rate == declared:
        return url
    return f"{name}{'&' if '?' in name else '?'}rate={rate}"


def _take_rate_out(url: str) -> tuple[str, str]:
    """The URL without its rate, and that; sensors that are joined have none of their own to put right."""
    base, _, query = url.partition("?")
    if "|" in url:
        return url, ""
    options = [option for option in query.split("&") if option]
    rate = next((option.partition("=")[2] for option in options if option.startswith("rate=")), "")
    others = "&".join(option for option in options if not option.startswith("rate="))
    return f"{base}?{others}" if others else base, rate


def _read(folder: Path) -> Rates:
    """What is kept; a file that is none, or was spoilt, keeps nothing."""
    try:
        kept = json.loads(read_text_file(folder / NAME))
    except (OSError, ValueError, RecursionError):
        return {}
    rows = kept.items() if isinstance(kept, dict) else ()
    return {
        name: {declared: rate for declared, rate in rates.items() if isinstance(rate, str)}
        for name, rates in rows
        if isinstance(rates, dict)
    }
