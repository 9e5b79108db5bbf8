"""The certificate under which this computer serves other devices: made here, kept private, renewed before it ends.

No public authority signs for an address on somebody's own network, so a browser warns once; the first groups of the
fingerprint, shown beside the code, let people compare. Without encryption a phone can neither be kept lit nor read its
own sensors, and everyone on the network could read along.
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import socket
import ssl
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from biofeedback.errors import SessionError
from biofeedback.storage import disk
from biofeedback.storage.whole_file import write_whole

if TYPE_CHECKING:
    from cryptography import x509

FILE_NAME = "page-certificate.pem"
VALID_DAYS, RENEW_DAYS = 365, 30
MOST_NAMES = (
    16  # addresses that it was good for before stay in it: a laptop that goes home and back keeps one certificate
)
LARGEST_BYTES = 100_000  # a key and a chain are some thousand
OWN_CURE = "give a PEM file with the certificate and its key, or two: --share-certificate CERTIFICATE,KEY"


@dataclass(frozen=True, slots=True)
class PageCertificate:
    """Files for TLS; ``fingerprint``: SHA-256 in groups of four digits; ``warning``: for whoever started it.

    ``names``: what it is good for. ``is_own``: brought by the user, so that browsers may know who signed it.
    """

    chain: Path
    key: Path
    fingerprint: str
    names: tuple[str, ...] = ()
    is_own: bool = False
    warning: str = ""

    def name_for(self, address: str) -> str:
        """How phones reach ``address`` without a warning where that is possible: by a name that the certificate has."""
        if not self.is_own or address in self.names:
            return address
        return next((name for name in self.names if _is_name(name)), address)

    @property
    def first_groups(self) -> str:
        """What people compare: the first four groups."""
        return " ".join(self.fingerprint.split()[:4])


def find_certificate(folder: Path, hosts: Iterable[str], *, now: datetime | None = None) -> PageCertificate:
    """The certificate kept in ``folder``, or a new one where it is missing, broken, ends soon or names other addresses.

    ``hosts`` are names and addresses under which this computer is reached. Where the folder cannot be written it lasts
    for this program only, and says so.
    """
    now = now or datetime.now(UTC)
    wanted = list(dict.fromkeys([*hosts, *name_this_computer()]))
    path = folder / FILE_NAME
    kept = _read_kept(path)
    if kept is not None and _fits(kept, wanted, now):
        return _describe(path, kept)
    names = list(dict.fromkeys([*wanted, *(list_names(kept) if kept is not None else ())]))[:MOST_NAMES]
    pem, made = make_certificate(names, now=now)
    try:
        disk.make_folder(folder)
        with write_whole(path) as beside:
            _write_private(beside, pem)
    except OSError as error:
        passing = Path(tempfile.mkdtemp(prefix="biofeedback-")) / FILE_NAME
        _write_private(passing, pem)
        warning = (
            f"{path} cannot be kept ({error.strerror}): phones will be asked about the certificate again next time"
        )
        return replace(_describe(passing, made), warning=warning)
    return _describe(path, made)


def load_own_certificate(text: str, *, now: datetime | None = None) -> PageCertificate:
    """One of the user's own: ``FILE`` with both, or ``CERTIFICATE,KEY``. SessionError with its cure."""
    from cryptography import x509

    first, _, second = text.partition(",")
    chain, key = Path(first).expanduser(), Path(second or first).expanduser()
    data = _read_own(chain)
    try:
        certificate = x509.load_pem_x509_certificate(data)
    except ValueError as error:
        raise SessionError(f"{chain} holds no certificate that can be read ({error})", OWN_CURE) from None
    _read_own(key)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_cert_chain(chain, key, password=_refuse_password)
    except (ssl.SSLError, OSError, ValueError) as error:
        what = f"the key in {key} does not belong to the certificate in {chain}, or cannot be read"
        raise SessionError(f"{what} ({getattr(error, 'reason', None) or error})", OWN_CURE) from None
    end = certificate.not_valid_after_utc
    if not certificate.not_valid_before_utc <= (now or datetime.now(UTC)) < end:
        raise SessionError(
            f"{chain} is valid until {end:%Y-%m-%d} only, not today", "renew it, or leave the option out"
        )
    return replace(_describe(chain, certificate), key=key, is_own=True)


def make_context(certificate: PageCertificate) -> ssl.SSLContext:
    """For the server: TLS 1.2 and 1.3 only."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(certificate.chain, certificate.key)
    return context


def make_certificate(names: Sequence[str], *, now: datetime) -> tuple[bytes, x509.Certificate]:
    """A new key and a certificate for ``names``, signed by itself; both as one PEM text, and the certificate."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID

    key = ec.generate_private_key(ec.SECP256R1())
    about = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "biofeedback on this computer")])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(about)
        .issuer_name(about)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))  # a phone whose clock is a little behind
        .not_valid_after(now + timedelta(days=VALID_DAYS))
        .add_extension(x509.SubjectAlternativeName([_to_general_name(name) for name in names]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    return private + certificate.public_bytes(serialization.Encoding.PEM), certificate


def describe_fingerprint(certificate: x509.Certificate) -> str:
    """SHA-256 over the certificate, as browsers show it, in groups of four."""
    from cryptography.hazmat.primitives import hashes

    digits = certificate.fingerprint(hashes.SHA256()).hex().upper()
    return " ".join(digits[at : at + 4] for at in range(0, len(digits), 4))


def list_names(certificate: x509.Certificate) -> list[str]:
    """The names and addresses that it is good for."""
    from cryptography import x509

    with contextlib.suppress(x509.ExtensionNotFound, ValueError):
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        return [str(name.value) for name in names if isinstance(name, x509.DNSName | x509.IPAddress)]
    return []


def name_this_computer() -> list[str]:
    """Its names, as the network may know them."""
    name = socket.gethostname().strip(".").lower()
    if not name or not name.isascii() or not name.replace("-", "").replace(".", "").isalnum():
        return []
    return [name] if "." in name else [name, f"{name}.local"]


def _describe(path: Path, certificate: x509.Certificate) -> PageCertificate:
    return PageCertificate(path, path, describe_fingerprint(certificate), tuple(list_names(certificate)))


def _is_name(name: str) -> bool:
    with contextlib.suppress(ValueError):
        ipaddress.ip_address(name)
        return False
    return "*" not in name


def _fits(certificate: x509.Certificate, wanted: Sequence[str], now: datetime) -> bool:
    lasts = certificate.not_valid_before_utc <= now < certificate.not_valid_after_utc - timedelta(days=RENEW_DAYS)
    return lasts and set(wanted) <= set(list_names(certificate))


def _read_kept(path: Path) -> x509.Certificate | None:
    """The certificate kept at ``path`` when it and its key can be used, else None."""
    from cryptography import x509

    try:
        if path.stat().st_size > LARGEST_BYTES:
            return None
        certificate = x509.load_pem_x509_certificate(path.read_bytes())
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(path, password=_refuse_password)
    except (OSError, ValueError, ssl.SSLError):
        return None
    return certificate


def _read_own(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise SessionError(f"{path} cannot be read ({error.strerror})", OWN_CURE) from None
    if len(data) > LARGEST_BYTES:
        raise SessionError(f"{path} is not a certificate: it is larger than {LARGEST_BYTES} bytes", OWN_CURE)
    return data


def _refuse_password() -> str:
    """Asked for when a key is locked: nobody could type a password here."""
    raise ValueError("the key is locked by a password; save it without one")


def _write_private(path: Path, data: bytes) -> None:
    """Readable by its user only, from the first byte on."""
    with contextlib.suppress(FileNotFoundError):
        path.unlink()
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(data)


def _to_general_name(name: str) -> Any:
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
