"""An authority of the tests' own, that signs certificates good and bad for servers on the loopback."""

from __future__ import annotations

import ipaddress
import ssl
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


def name(common: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])


class Authority:
    """Signs certificates for the loopback.

    Attributes:
        file: its own certificate.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        now = datetime.now(UTC)
        own = self._signed(
            name("Authority"), self._key.public_key(), now - timedelta(days=400), now + timedelta(days=9)
        )
        self._own = own.add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True).sign(
            self._key, hashes.SHA256()
        )
        self.file = folder / "authority.pem"
        self.file.write_bytes(self._own.public_bytes(serialization.Encoding.PEM))

    def _signed(
        self, subject: x509.Name, key: ec.EllipticCurvePublicKey, begins: datetime, ends: datetime
    ) -> x509.CertificateBuilder:
        builder = x509.CertificateBuilder().subject_name(subject).issuer_name(name("Authority")).public_key(key)
        builder = builder.serial_number(x509.random_serial_number()).not_valid_before(begins).not_valid_after(ends)
        own, theirs = self._key.public_key(), x509.SubjectKeyIdentifier.from_public_key(key)
        return builder.add_extension(theirs, critical=False).add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(own), critical=False
        )

    def context(self, begins_in_days: float, ends_in_days: float, host: str) -> ssl.SSLContext:
        """What a server with a certificate of such days and such a name or address uses."""
        key, now = ec.generate_private_key(ec.SECP256R1()), datetime.now(UTC)
        begins, ends = (now + timedelta(days=days) for days in (begins_in_days, ends_in_days))
        names: list[x509.GeneralName] = [
            x509.IPAddress(ipaddress.ip_address(host)) if host[0].isdigit() else x509.DNSName(host)
        ]
        builder = self._signed(name("Server"), key.public_key(), begins, ends)
        signed = builder.add_extension(x509.SubjectAlternativeName(names), critical=False).sign(
            self._key, hashes.SHA256()
        )
        file = self._folder / "server.pem"
        file.write_bytes(
            signed.public_bytes(serialization.Encoding.PEM)
            + key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(file)
        return context
