"""How a shared page is encrypted, from the command line."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from biofeedback.storage.schema import recordings_folder

if TYPE_CHECKING:
    from biofeedback.web.certificate import PageCertificate

PLAIN = (
    "Shared without encryption: everyone on this network can read along, and no phone can be kept lit or read its own "
    "sensors. On a network of your own only."
)


def choose_certifier(args: argparse.Namespace) -> Callable[[Sequence[str]], PageCertificate] | None:
    """What finds the certificate once the address is known; None: nothing is shared, or plainly.

    A certificate of the user's own is read at once: SessionError before anything has begun.
    """
    if not args.share:
        return None
    if args.share_plain:
        print(PLAIN, file=sys.stderr)
        return None
    from biofeedback.web.certificate import find_certificate, load_own_certificate

    own = load_own_certificate(args.share_certificate) if args.share_certificate else None

    def certify(hosts: Sequence[str]) -> PageCertificate:
        certificate = own or find_certificate(args.folder or recordings_folder(), hosts)
        if certificate.warning:
            print(certificate.warning, file=sys.stderr)
        if not certificate.is_own:
            print(
                "Encrypted with a certificate of this computer, which no browser knows: it warns once. Go on if the "
                f"fingerprint (SHA-256) begins with {certificate.first_groups}"
            )
        return certificate

    return certify
