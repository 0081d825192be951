"""A real mail server on this machine, over TLS with a certificate of its own, which refuses and hangs up as asked."""

from __future__ import annotations

import asyncio
import datetime
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

USER, PASSWORD = "room@example.org", "s3cret-w0rd"


def make_certificate(folder: Path, name: str = "localhost") -> tuple[Path, Path]:
    """(certificate, key) as PEM files, signed by itself, good for a day."""
    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.datetime.now(datetime.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(who).issuer_name(who).public_key(key.public_key()).serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1)).not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "cert.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    (folder / "key.pem").write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return folder / "cert.pem", folder / "key.pem"


@dataclass
class Behaviour:
    """What the server does, and what it got. `at` names a step; `reply` answers it, None hangs up, "wait" sleeps."""

    at: str = ""
    reply: str | None = None
    only_for: str = ""  # a recipient whom alone it concerns
    n_times: int = 1000
    got: list[tuple[str, str, bytes]] = field(default_factory=list)  # sender, recipient, content
    logins: list[tuple[str, str]] = field(default_factory=list)
    n_connections: int = 0

    async def step(self, name: str, server: SMTP, recipient: str = "") -> str | None:
        """The answer to give instead of the usual one, or None."""
        if self.at != name or (self.only_for and self.only_for != recipient) or self.n_times <= 0:
            return None
        self.n_times -= 1
        if self.reply == "wait":
            await asyncio.sleep(3.0)
        elif self.reply is not None:
            return self.reply
        if server.transport is not None:
            server.transport.abort()
        return "421 never heard"


class _Server(SMTP):
    """Able to hang up before it greets, and in the middle of the data."""

    behaviour: Behaviour

    def connection_made(self, transport: Any) -> None:
        if self.transport is None:
            self.behaviour.n_connections += 1
        super().connection_made(transport)
        if self.behaviour.at == "greeting" and self.behaviour.reply is None:
            transport.abort()

    async def push(self, status: Any) -> None:
        await super().push(status)
        text = status if isinstance(status, str) else status.decode()
        if text.startswith("354") and self.behaviour.at == "data begun" and self.transport is not None:
            self.transport.abort()


class _Handler:
    def __init__(self, behaviour: Behaviour) -> None:
        self.b = behaviour

    async def handle_EHLO(
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        session.host_name = hostname
        instead = await self.b.step("ehlo", server)
        return [instead] if instead else responses

    async def handle_MAIL(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        envelope.mail_from = address
        return await self.b.step("mail", server) or "250 OK"

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        instead = await self.b.step("rcpt", server, address)
        if instead is None:
            envelope.rcpt_tos.append(address)
        return instead or "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        recipient = envelope.rcpt_tos[0]
        if self.b.at == "end" and self.b.reply is not None and self.b.reply[0] in "45":
            return self.b.reply
        content = envelope.original_content or b""
        self.b.got.append((envelope.mail_from or "", recipient, content))
        return await self.b.step("end", server, recipient) or "250 OK, taken"


@contextmanager
def running(
    certificate: tuple[Path, Path], behaviour: Behaviour | None = None, *, tls: str = "starttls", login: bool = False
) -> Iterator[tuple[int, Behaviour]]:
    """(port, behaviour) of a server on localhost; `tls` is "starttls", "implicit" or "none"."""
    b = behaviour or Behaviour()
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(*certificate)

    def check(server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: Any) -> AuthResult:
        b.logins.append((data.login.decode(), data.password.decode()))
        return AuthResult(success=b.logins[-1] == (USER, PASSWORD), handled=False)  # the server words the refusal

    loop = asyncio.new_event_loop()

    def serve() -> SMTP:
        server = _Server(
            _Handler(b), hostname="localhost", loop=loop, data_size_limit=2**27, timeout=60,
            tls_context=context if tls == "starttls" else None, require_starttls=tls == "starttls",
            authenticator=check if login else None, auth_required=login, auth_require_tls=tls == "starttls",
        )  # fmt: skip
        server.behaviour = b
        return server

    at_once = context if tls == "implicit" else None
    listening = loop.run_until_complete(
        loop.create_server(serve, host="localhost", port=0, family=socket.AF_INET, ssl=at_once)
    )
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    try:
        yield listening.sockets[0].getsockname()[1], b
    finally:
        asyncio.run_coroutine_threadsafe(_end(listening), loop).result(10.0)
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


async def _end(listening: asyncio.Server) -> None:
    """Stop listening, and end what is still being said."""
    listening.close()
    others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)
