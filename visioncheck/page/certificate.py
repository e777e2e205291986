"""The certificate by which the page speaks TLS on a network: made here, since no one can vouch for a home's address."""

from __future__ import annotations

import ipaddress
import os
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from visioncheck.errors import UserError

if TYPE_CHECKING:
    from pathlib import Path

_OURS = timedelta(days=3650)
_SERVERS = timedelta(days=390)
"""Browsers refuse a server's certificate of more than 398 days (CA/Browser Forum, Baseline Requirements, 6.3.2)."""
_RENEWED = timedelta(days=30)
_PRIVATE = ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "127.0.0.0/8")
"""RFC 1918, RFC 3927, RFC 1122."""


def certificate_for(folder: Path, address: str, name: str, now: datetime | None = None) -> tuple[Path, Path]:
    """Give the file with the server's key and certificates, and the authority's certificate, for phones to trust.

    Both are made where there is none; the server's anew when the address or name is another, or its time runs out. So a
    phone that trusts the authority never warns again, and one that was told to go on does not while nothing changes.

    Parameters
    ----------
    folder : Path
        Its owner's alone.
    address, name : str
        The computer's address, and its name on the network.

    Raises
    ------
    UserError
        The folder cannot be used.
    """
    now = now or datetime.now(UTC)
    authority, trusted, served = folder / "authority.key", folder / "authority.crt", folder / "server.pem"
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        if not (authority.exists() and trusted.exists()):
            key, certificate = _authority(now)
            _write(authority, _key_text(key))
            _write(trusted, certificate.public_bytes(Encoding.PEM))
            served.unlink(missing_ok=True)
        if not (served.exists() and _fits(x509.load_pem_x509_certificate(served.read_bytes()), address, name, now)):
            _write(served, _server(authority.read_bytes(), trusted.read_bytes(), address, name, now))
    except (OSError, ValueError) as error:
        raise UserError(f"The page's certificate in {folder} cannot be used ({error}); remove that folder") from error
    return served, trusted


def fingerprint(trusted: Path) -> str:
    """Write a certificate's SHA-256 fingerprint as phones show it, two digits and a space at a time."""
    return x509.load_pem_x509_certificate(trusted.read_bytes()).fingerprint(hashes.SHA256()).hex(" ").upper()


def as_der(trusted: Path) -> bytes:
    """Give a certificate as phones take it to install."""
    return x509.load_pem_x509_certificate(trusted.read_bytes()).public_bytes(Encoding.DER)


def _fits(certificate: x509.Certificate, address: str, name: str, now: datetime) -> bool:
    names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    same = set(names) == set(_names(address, name))
    return same and certificate.not_valid_before_utc <= now < certificate.not_valid_after_utc - _RENEWED


def _names(address: str, name: str) -> list[x509.GeneralName]:
    return [x509.DNSName(name), x509.IPAddress(ipaddress.ip_address(address))]


def _authority(now: datetime) -> tuple[ec.EllipticCurvePrivateKey, x509.Certificate]:
    """Make an authority that can vouch for addresses and names of home networks alone (RFC 5280, 4.2.1.10)."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "visioncheck on a home network")])
    bounds = [x509.DNSName("local"), *(x509.IPAddress(ipaddress.ip_network(each)) for each in _PRIVATE)]
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + _OURS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(x509.NameConstraints(bounds, None), critical=True)
        .add_extension(_usage(signs=True), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    return key, certificate


def _server(authority: bytes, trusted: bytes, address: str, name: str, now: datetime) -> bytes:
    """Make the server's key and certificate; the text of both, the authority's certificate after them."""
    signing, issuer = load_pem_private_key(authority, None), x509.load_pem_x509_certificate(trusted)
    if not isinstance(signing, ec.EllipticCurvePrivateKey):
        raise ValueError("the authority's key is of another kind")  # noqa: TRY004 - it is a file's content
    key = ec.generate_private_key(ec.SECP256R1())
    certificate = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]))
        .issuer_name(issuer.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + _SERVERS)
        .add_extension(x509.SubjectAlternativeName(_names(address, name)), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer.public_key()), critical=False)  # type: ignore[arg-type]
        .sign(signing, hashes.SHA256())
    )
    # the server's certificate first: that is the one that is read back
    return certificate.public_bytes(Encoding.PEM) + trusted + _key_text(key)


def _usage(*, signs: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs,
        crl_sign=signs,
        encipher_only=False,
        decipher_only=False,
    )


def _key_text(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def _write(path: Path, content: bytes) -> None:
    """Write a file that its owner alone may read, whole or not at all."""
    making = path.with_suffix(".new")
    making.unlink(missing_ok=True)
    descriptor = os.open(making, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(content)
    making.replace(path)
