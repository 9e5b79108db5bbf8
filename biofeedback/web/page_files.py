"""The page's own files as they are sent: under a name that changes with them, and packed once."""

from __future__ import annotations

import gzip
import hashlib
import re
from base64 import b64encode
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

MEDIA_TYPES = {"html": "text/html", "css": "text/css", "js": "text/javascript"}
ARRIVAL = "shared/arrival.js"  # stands in every page: it is there when nothing else comes
FOR_GOOD = "private, max-age=31536000, immutable"  # under a name that changes with what it names
LEAST_PACKED_BYTES = 500

PAGE_HEADERS = {
    "content-security-policy": "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-cache",
}


def read_static() -> Mapping[str, tuple[bytes, str]]:
    """Every static file by folder/name, with its media type. Only these are served, so no path can lead elsewhere."""
    return {
        f"{folder.name}/{entry.name}": (entry.read_bytes(), kind)
        for folder in resources.files("biofeedback.web").joinpath("static").iterdir()
        for entry in folder.iterdir()
        if (kind := MEDIA_TYPES.get(entry.name.rpartition(".")[2]))  # types for the checker are not for browsers
    }


@dataclass(slots=True)
class PageFiles:
    """Files by name; a page names the others with the version of all of them, so that a browser may keep those."""

    version: str = field(init=False)
    _files: Mapping[str, tuple[bytes, str]] = field(init=False)
    _packed: dict[str, bytes] = field(init=False, default_factory=dict)
    _headers: Mapping[str, str] = field(init=False)

    def __post_init__(self) -> None:
        found = read_static()
        content = b"".join(name.encode() + body for name, (body, _) in sorted(found.items()))
        self.version = hashlib.sha256(content).hexdigest()[:12]
        arrival = found[ARRIVAL][0]
        digest = b64encode(hashlib.sha256(arrival).digest()).decode()
        policy = f"{PAGE_HEADERS['content-security-policy']}; script-src 'self' 'sha256-{digest}'"
        self._headers = PAGE_HEADERS | {"content-security-policy": policy}
        self._files = {
            name: (self._complete(body, arrival) if kind == "text/html" else body, kind)
            for name, (body, kind) in found.items()
        }

    def _complete(self, page: bytes, arrival: bytes) -> bytes:
        """The page with its watcher in it and the version in the names of all else."""
        tag = f'<script src="/static/{ARRIVAL}"></script>'.encode()
        page = page.replace(tag, b"<script>" + arrival + b"</script>")
        return re.sub(rb'(?<=")/static/', f"/static/{self.version}/".encode(), page)

    def reply(self, request: Request, name: str) -> Response:
        """The file of that name, or of ``version/name``, which may be kept for good."""
        version, _, rest = name.partition("/")
        is_kept = version == self.version
        name = rest if is_kept else name
        if name not in self._files:
            return PlainTextResponse("Not here.\n", status_code=404, headers=PAGE_HEADERS)
        body, kind = self._files[name]
        headers = dict(self._headers) if kind == "text/html" else dict(PAGE_HEADERS)
        headers["vary"] = "accept-encoding"
        if is_kept:
            headers["cache-control"] = FOR_GOOD
        if len(body) >= LEAST_PACKED_BYTES and "gzip" in request.headers.get("accept-encoding", ""):
            if name not in self._packed:
                self._packed[name] = gzip.compress(body, mtime=0)
            body = self._packed[name]
            headers["content-encoding"] = "gzip"
        return Response(body, media_type=kind, headers=headers)
