"""The certificate of the secure page: made by itself, since no authority vouches for an address inside a shop.

Browsers hand out motion sensors, microphone and position to secure pages only (W3C, Secure Contexts). A phone warns
once that nobody vouches for this certificate; its fingerprint is shown so that one can make sure.
"""

import ipaddress
import os
import socket
import ssl
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from vibeorder.errors import VibeorderError

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec

__all__ = ["CERTIFICATE_NAME", "KEY_NAME", "own_certificate", "tls_context"]

KEY_NAME, CERTIFICATE_NAME = "secure_page_key.pem", "secure_page_certificate.pem"
# Browsers refuse certificates that are good for longer than 398 days (CA/Browser Forum, Baseline Requirements 6.3.2).
VALID_DAYS, RENEW_DAYS = 397, 30


def own_certificate(folder: Path, addresses: Sequence[str]) -> str:
    """Make key and certificate where they are missing, about to expire or of other addresses; its SHA-256 fingerprint.

    The key stays from one certificate to the next and only its owner may read it. Raises VibeorderError where the
    folder cannot be used.
    """
    from cryptography.hazmat.primitives import hashes

    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        key = _key(folder / KEY_NAME)
        found = _certificate(folder / CERTIFICATE_NAME)
        if found is None or not _serves(found, key, addresses):
            found = _signed(key, addresses)
            _write(folder / CERTIFICATE_NAME, _pem(found), 0o644)
    except OSError as error:
        raise VibeorderError(
            f"the key of the secure page cannot be kept in {folder}: {error.strerror or error}; "
            "name a folder that may be written with --folder"
        ) from error
    return ":".join(f"{byte:02X}" for byte in found.fingerprint(hashes.SHA256()))


def tls_context(folder: Path) -> ssl.SSLContext:
    """TLS 1.2 or later with the folder's certificate. Raises VibeorderError where it cannot be used."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(folder / CERTIFICATE_NAME, folder / KEY_NAME)
    except (OSError, ssl.SSLError) as error:
        raise VibeorderError(
            f"the certificate in {folder} cannot be used; delete {KEY_NAME} and {CERTIFICATE_NAME} there, "
            "and they are made anew"
        ) from error
    return context


def _key(path: Path) -> "ec.EllipticCurvePrivateKey":
    """The key that is there, its mode set right, or a new one."""
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    if path.exists():
        path.chmod(0o600)
        try:
            key = serialization.load_pem_private_key(path.read_bytes(), None)
        except (ValueError, TypeError):
            key = None  # cut off or of something else: made anew
        if isinstance(key, ec.EllipticCurvePrivateKey):
            return key
    made = ec.generate_private_key(ec.SECP256R1())
    pem = made.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    _write(path, pem, 0o600)
    return made


def _certificate(path: Path) -> "x509.Certificate | None":
    from cryptography import x509

    try:
        return x509.load_pem_x509_certificate(path.read_bytes())
    except (FileNotFoundError, ValueError):
        return None


def _serves(found: "x509.Certificate", key: "ec.EllipticCurvePrivateKey", addresses: Sequence[str]) -> bool:
    from cryptography import x509

    if found.public_key() != key.public_key():
        return False
    if found.not_valid_after_utc < datetime.now(UTC) + timedelta(days=RENEW_DAYS):
        return False
    names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    covered = {str(one) for one in names.get_values_for_type(x509.IPAddress)}
    return set(addresses) <= covered


def _signed(key: "ec.EllipticCurvePrivateKey", addresses: Sequence[str]) -> "x509.Certificate":
    """For these addresses and this machine's name; not an authority: it can vouch for no other site."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "vibeorder shop page")])
    own = socket.gethostname().lower()
    names = dict.fromkeys(["localhost", *([own, f"{own}.local"] if _is_dns(own) else [])])
    served: list[x509.GeneralName] = [x509.DNSName(one) for one in names]
    served += [x509.IPAddress(ipaddress.ip_address(one)) for one in ("127.0.0.1", *addresses)]
    now = datetime.now(UTC)
    builder = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
    builder = builder.serial_number(x509.random_serial_number())
    # an hour back: the phone's clock may run behind
    builder = builder.not_valid_before(now - timedelta(hours=1)).not_valid_after(
        now + timedelta(days=VALID_DAYS)
    )
    builder = builder.add_extension(x509.SubjectAlternativeName(served), critical=False)
    builder = builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
    builder = builder.add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
    return builder.sign(key, hashes.SHA256())


def _is_dns(name: str) -> bool:
    return 0 < len(name) < 60 and name.isascii() and all(c.isalnum() or c in "-." for c in name)


def _pem(certificate: "x509.Certificate") -> bytes:
    from cryptography.hazmat.primitives import serialization

    return certificate.public_bytes(serialization.Encoding.PEM)


def _write(path: Path, data: bytes, mode: int) -> None:
    """Whole or not at all, with its mode from the first byte on."""
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    draft.unlink(missing_ok=True)
    try:
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
