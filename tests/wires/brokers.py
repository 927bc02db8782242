"""Brokers of the tests, each a process of its own: mosquitto (a system package) and amqtt (a wheel).

A test that needs mosquitto fails with the sentence how to install it; it is never left out.
"""

from __future__ import annotations

import datetime
import ipaddress
import shutil
import socket
import subprocess
import sys
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

if TYPE_CHECKING:
    from pathlib import Path

READY_S = 20.0


def free_port() -> int:
    """A TCP port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def tool(name: str) -> str:
    """The path of a program of mosquitto, also where only root's path has it."""
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin:/sbin:/usr/bin")
    assert found, f"{name} is not here: install it with `apt-get install -y mosquitto` (or your system's own way)"
    return found


@dataclass
class Broker:
    """A broker process that listens on a port of its own and can be killed and started again there."""

    command: list[str]
    port: int
    log: Path
    _process: subprocess.Popen[bytes] | None = field(default=None)

    def start(self) -> None:
        """Start it and wait until it listens."""
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(self.command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        deadline_s = time.monotonic() + READY_S
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
            except OSError:
                assert self._process.poll() is None, self.log.read_text()
                assert time.monotonic() < deadline_s, self.log.read_text()
                time.sleep(0.01)  # gives the processor to the broker that is waited for
            else:
                return

    def kill(self) -> None:
        """As a power cut would."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


def mosquitto(folder: Path, *lines: str, port: int | None = None) -> Broker:
    """A broker with these lines in its configuration; the listener's own lines come first."""
    port = port or free_port()
    config = folder / "mosquitto.conf"
    # As root it would give up its rights, and could not read the files of the test any more.
    config.write_text("\n".join((f"listener {port} 127.0.0.1", "user root", *lines)) + "\n", encoding="utf-8")
    return Broker([tool("mosquitto"), "-c", str(config)], port, folder / "broker.log")


def amqtt(folder: Path, plugins: str = "") -> Broker:
    """The broker of the wheel, open to everybody, with further plugins."""
    port = free_port()
    config = folder / "amqtt.yaml"
    config.write_text(
        f"listeners:\n  default:\n    type: tcp\n    bind: 127.0.0.1:{port}\n"
        "plugins:\n  amqtt.plugins.authentication.AnonymousAuthPlugin:\n    allow_anonymous: true\n" + plugins,
        encoding="utf-8",
    )
    return Broker([sys.executable, "-m", "amqtt.scripts.broker_script", "-c", str(config)], port, folder / "broker.log")


def password_file(folder: Path, user: str, password: str) -> Path:
    """A file of users for mosquitto, made by its own program."""
    path = folder / "users"
    subprocess.run(
        [tool("mosquitto_passwd"), "-c", "-b", str(path), user, password], check=True, capture_output=True, timeout=30
    )
    return path


@dataclass(frozen=True)
class Certificates:
    """An authority of the test, and a server's certificate that it signed."""

    authority: Path
    certificate: Path
    key: Path


def certificates(folder: Path, *, name: str = "127.0.0.1") -> Certificates:
    """A new authority and a certificate for a server of this name or address."""
    folder.mkdir(parents=True, exist_ok=True)
    authority_key, server_key = (ec.generate_private_key(ec.SECP256R1()) for _ in range(2))
    authority_name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Hay barn authority")])
    authority = _signed(authority_name, authority_name, authority_key, authority_key, authority=True)
    server_name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    server = _signed(server_name, authority_name, server_key, authority_key, host=name)
    made = Certificates(folder / "authority.pem", folder / "server.pem", folder / "server.key")
    made.authority.write_bytes(authority.public_bytes(serialization.Encoding.PEM))
    made.certificate.write_bytes(server.public_bytes(serialization.Encoding.PEM))
    made.key.write_bytes(
        server_key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    return made


def _signed(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    signing: ec.EllipticCurvePrivateKey,
    *,
    authority: bool = False,
    host: str = "",
) -> x509.Certificate:
    now = datetime.datetime.now(datetime.UTC)
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(signing.public_key()), critical=False)
    )
    if authority:
        usage = x509.KeyUsage(
            digital_signature=True, key_cert_sign=True, crl_sign=True, content_commitment=False,
            key_encipherment=False, data_encipherment=False, key_agreement=False, encipher_only=False,
            decipher_only=False,
        )  # fmt: skip
        builder = builder.add_extension(usage, critical=True)
    if host:
        builder = builder.add_extension(x509.SubjectAlternativeName([_general(host)]), critical=False)
    return builder.sign(signing, hashes.SHA256())


def _general(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)
