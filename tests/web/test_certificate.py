"""The page's own certificate: names, renewal, who may read it, and what other people's TLS makes of it."""

from __future__ import annotations

import shutil
import socket
import ssl
import stat
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from biofeedback.errors import SessionError
from biofeedback.web.certificate import (
    FILE_NAME,
    PageCertificate,
    find_certificate,
    load_own_certificate,
    make_certificate,
    make_context,
    name_this_computer,
)

from ..requirements import need

NOW = datetime.now(UTC)
HOSTS = ["192.0.2.7"]  # for documentation (RFC 5737)


def read_names(path: Path) -> set[str]:
    names = ssl._ssl._test_decode_cert(str(path))["subjectAltName"]  # type: ignore[attr-defined]
    return {value for _, value in names}


def test_it_is_made_once_and_kept_private(tmp_path: Path) -> None:
    first = find_certificate(tmp_path, HOSTS, now=NOW)
    again = find_certificate(tmp_path, HOSTS, now=NOW + timedelta(days=300))
    assert again.fingerprint == first.fingerprint
    assert [path.name for path in tmp_path.iterdir()] == [FILE_NAME]
    if sys.platform != "win32":
        assert stat.S_IMODE((tmp_path / FILE_NAME).stat().st_mode) == 0o600
    assert "192.0.2.7" in read_names(first.chain)
    assert len(first.first_groups) == 19


def test_it_is_renewed_before_it_ends_and_for_another_address(tmp_path: Path) -> None:
    first = find_certificate(tmp_path, HOSTS, now=NOW)
    late = find_certificate(tmp_path, HOSTS, now=NOW + timedelta(days=340))
    assert late.fingerprint != first.fingerprint
    elsewhere = find_certificate(tmp_path, ["198.51.100.9"], now=NOW + timedelta(days=341))
    assert {"192.0.2.7", "198.51.100.9"} <= read_names(elsewhere.chain)
    back_home = find_certificate(tmp_path, HOSTS, now=NOW + timedelta(days=342))
    assert back_home.fingerprint == elsewhere.fingerprint


@pytest.mark.parametrize(
    ("before_end", "is_kept"), [(timedelta(days=30, seconds=1), True), (timedelta(days=30), False)]
)
def test_it_lasts_a_year_is_good_since_yesterday_and_is_renewed_thirty_days_before_its_end(
    tmp_path: Path, before_end: timedelta, is_kept: bool
) -> None:
    now = NOW.replace(microsecond=0)
    first = find_certificate(tmp_path, HOSTS, now=now)
    about = ssl._ssl._test_decode_cert(str(first.chain))  # type: ignore[attr-defined]
    begins, ends = (datetime.fromtimestamp(ssl.cert_time_to_seconds(about[k]), UTC) for k in ("notBefore", "notAfter"))
    assert (begins, ends) == (now - timedelta(days=1), now + timedelta(days=365))
    assert (find_certificate(tmp_path, HOSTS, now=ends - before_end).fingerprint == first.fingerprint) == is_kept


@pytest.mark.parametrize(
    ("host", "names"),
    [
        ("Desk-1", ["desk-1", "desk-1.local"]),
        ("desk.example.", ["desk.example"]),
        ("", []),
        ("büro", []),
        ("my desk", []),
        ("a_b", []),
    ],
)
def test_this_computer_is_named_as_its_network_may_know_it(
    host: str, names: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: host)
    assert name_this_computer() == names


def test_an_expired_one_is_made_anew(tmp_path: Path) -> None:
    expired = find_certificate(tmp_path, ["198.51.100.9"], now=NOW - timedelta(days=500))
    found = find_certificate(tmp_path, HOSTS, now=NOW)
    assert found.fingerprint != expired.fingerprint
    assert not found.warning
    assert "192.0.2.7" in read_names(found.chain)
    make_context(found)


@pytest.mark.parametrize(
    "content", [b"", b"-----BEGIN CERTIFICATE-----\nx\n-----END CERTIFICATE-----\n", b"\0" * 200_000]
)
def test_a_broken_one_is_made_anew(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    assert "192.0.2.7" in read_names(find_certificate(tmp_path, HOSTS, now=NOW).chain)


def test_one_with_a_foreign_key_is_made_anew(tmp_path: Path) -> None:
    one, two = (make_certificate(HOSTS, now=NOW)[0] for _ in range(2))
    split = one.index(b"-----BEGIN CERTIFICATE")
    (tmp_path / FILE_NAME).write_bytes(two[: two.index(b"-----BEGIN CERTIFICATE")] + one[split:])
    make_context(find_certificate(tmp_path, HOSTS, now=NOW))


def test_a_folder_that_cannot_be_written_gets_one_for_this_evening(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("no folder")
    found = find_certificate(blocked, HOSTS, now=NOW)
    assert "asked about the certificate again" in found.warning
    make_context(found)
    shutil.rmtree(found.chain.parent)


def test_one_of_the_user_s_own(tmp_path: Path) -> None:
    pem, _ = make_certificate(HOSTS, now=NOW)
    both, chain, key = tmp_path / "both.pem", tmp_path / "chain.pem", tmp_path / "key.pem"
    both.write_bytes(pem)
    split = pem.index(b"-----BEGIN CERTIFICATE")
    key.write_bytes(pem[:split])
    chain.write_bytes(pem[split:])
    assert load_own_certificate(str(both)).is_own
    assert load_own_certificate(f"{chain},{key}").fingerprint == load_own_certificate(str(both)).fingerprint


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("{folder}/none.pem", "cannot be read"),
        ("{folder}", "cannot be read"),
        ("{folder}/text.pem", "holds no certificate"),
        ("{folder}/old.pem", "not today"),
        ("{folder}/one.pem,{folder}/two.pem", "does not belong"),
        ("{folder}/one.pem,{folder}/text.pem", "does not belong"),
    ],
)
def test_one_that_cannot_be_used_is_refused_with_its_cure(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "text.pem").write_text("hello")
    (tmp_path / "old.pem").write_bytes(make_certificate(HOSTS, now=NOW - timedelta(days=500))[0])
    for name in ("one.pem", "two.pem"):
        (tmp_path / name).write_bytes(make_certificate(HOSTS, now=NOW)[0])
    with pytest.raises(SessionError, match=told) as refused:
        load_own_certificate(text.format(folder=tmp_path))
    assert refused.value.cure


def serve_once(context: ssl.SSLContext) -> tuple[int, threading.Thread]:
    listening = socket.create_server(("127.0.0.1", 0))

    def answer() -> None:
        with listening:
            for _ in range(2):  # a client that refuses ends the handshake
                try:
                    with context.wrap_socket(listening.accept()[0], server_side=True) as secure:
                        secure.sendall(b"hello")
                        return
                except (ssl.SSLError, OSError):
                    continue

    thread = threading.Thread(target=answer)
    thread.start()
    return listening.getsockname()[1], thread


def connect(port: int, context: ssl.SSLContext, name: str) -> tuple[bytes, str | None]:
    with (
        socket.create_connection(("127.0.0.1", port)) as plain,
        context.wrap_socket(plain, server_hostname=name) as secure,
    ):
        return secure.recv(5), secure.version()


def test_python_s_tls_trusts_it_for_its_own_name_and_no_other(tmp_path: Path) -> None:
    found = find_certificate(tmp_path, ["127.0.0.1", "coach.test"], now=NOW)
    port, thread = serve_once(make_context(found))
    client = ssl.create_default_context(cafile=str(found.chain))
    with pytest.raises(ssl.SSLCertVerificationError):
        connect(port, client, "other.test")
    assert connect(port, client, "coach.test") == (b"hello", "TLSv1.3")
    thread.join()


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_nothing_older_than_tls_1_2_is_spoken(tmp_path: Path) -> None:
    found: PageCertificate = find_certificate(tmp_path, HOSTS, now=NOW)
    port, thread = serve_once(make_context(found))
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.check_hostname, client.verify_mode = False, ssl.CERT_NONE
    client.minimum_version = ssl.TLSVersion.TLSv1
    client.maximum_version = ssl.TLSVersion.TLSv1_1
    with pytest.raises((ssl.SSLError, OSError)):
        connect(port, client, "x.test")
    client.maximum_version = client.minimum_version = ssl.TLSVersion.TLSv1_2
    assert connect(port, client, "x.test") == (b"hello", "TLSv1.2")
    thread.join()


def test_openssl_reads_the_same_fingerprint(tmp_path: Path) -> None:
    need(shutil.which("openssl"), "openssl is not installed")
    found = find_certificate(tmp_path, HOSTS, now=NOW)
    command = ["openssl", "x509", "-in", str(found.chain), "-noout", "-fingerprint", "-sha256"]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert told.strip().partition("=")[2].replace(":", "") == found.fingerprint.replace(" ", "")
