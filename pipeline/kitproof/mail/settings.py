"""Which server takes the mail, from whom it comes, and how the password is got at.

Settings come from the command line, else from a TOML file:

    server = "mail.example.org:587"
    from = "Project room <room@example.org>"
    to = ["bass@example.org"]
    user = "room@example.org"
    max_mb = 10

The password never does: it is in KITPROOF_SMTP_PASSWORD or in the system's keyring, and stays in memory.
"""

from __future__ import annotations

import ipaddress
import os
import sys
import tomllib
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import Any

from kitproof.mail.message import MailError

IMPLICIT_TLS_PORT = 465  # RFC 8314, section 3.3
SUBMISSION_PORT = 587  # RFC 6409; TLS by STARTTLS
MAX_MB = 10.0
_KEYS = {"server": str, "from": str, "to": list, "user": str, "max_mb": (int, float), "insecure_plain": bool}


@dataclass(frozen=True, slots=True, kw_only=True)
class Server:
    """Where mail is handed over."""

    host: str
    port: int = SUBMISSION_PORT
    insecure_plain: bool = False  # no TLS; on this machine only
    timeout_s: float = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Login:
    """User name and password; the password shows in no text made of this."""

    user: str
    password: str = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything but the password. None where nothing is said."""

    server: Server | None = None
    sender: str | None = None
    to: tuple[str, ...] = ()
    user: str | None = None
    max_mb: float = MAX_MB


def default_path() -> Path:
    """Where settings are looked for if no file is named."""
    base = os.environ.get("XDG_CONFIG_HOME") or "~/.config"
    return Path(base).expanduser() / "kitproof" / "mail.toml"


def state_folder() -> Path:
    """Where the outbox lies, by the custom of the system."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or "~/AppData/Local").expanduser() / "kitproof"
    if sys.platform == "darwin":
        return Path("~/Library/Application Support/kitproof").expanduser()
    return Path(os.environ.get("XDG_STATE_HOME") or "~/.local/state").expanduser() / "kitproof"


def read_settings(path: Path | None) -> Settings:
    """Settings from a file; without one named, from the usual place or none at all.

    Raises
    ------
    MailError : the file is missing, is no TOML, or holds what does not belong there (a password, say)
    """
    named = path is not None
    path = path or default_path()
    if not named and not path.exists():
        return Settings()
    try:
        found = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise MailError(f"{path}: cannot be read ({error.strerror or error})") from error
    except ValueError as error:
        raise MailError(f"{path}: is no TOML ({error})") from error
    _check(path, found)
    server = found.get("server")
    return Settings(
        server=parse_server(server, insecure_plain=found.get("insecure_plain", False)) if server else None,
        sender=found.get("from"),
        to=tuple(found.get("to", ())),
        user=found.get("user"),
        max_mb=float(found.get("max_mb", MAX_MB)),
    )


def _check(path: Path, found: dict[str, Any]) -> None:
    if any("pass" in key.lower() for key in found):
        raise MailError(
            f"{path}: holds a password; take it out, and put it into KITPROOF_SMTP_PASSWORD or the system's keyring"
        )
    for key, value in found.items():
        if key not in _KEYS:
            raise MailError(f"{path}: {key!r} is not known; there are: {', '.join(_KEYS)}")
        if not isinstance(value, _KEYS[key]) or (key == "to" and not all(isinstance(v, str) for v in value)):  # type: ignore[arg-type]
            raise MailError(f"{path}: {key} is {value!r}, which it cannot be")


def parse_server(text: str, *, insecure_plain: bool = False) -> Server:
    """ "host", "host:port" or "[::1]:port".

    Raises
    ------
    MailError : it is none, or mail would leave this machine without TLS
    """
    host, port = text, ""
    if text.startswith("["):
        host, _, port = text[1:].partition("]")
        port = port.removeprefix(":")
    elif text.count(":") == 1:
        host, _, port = text.partition(":")
    if not host or not host.isprintable() or " " in host or (port and not port.isdecimal()) or int(port or 1) > 65535:
        raise MailError(f"{text!r} is no server; expected host or host:port")
    if insecure_plain and not is_this_machine(host):
        raise MailError(f"{host}: mail without TLS is for servers on this machine only; leave --insecure-plain out")
    return Server(host=host, port=int(port or SUBMISSION_PORT), insecure_plain=insecure_plain)


def is_this_machine(host: str) -> bool:
    """True for the loopback addresses and their name."""
    try:
        return host.lower() == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def find_login(server: Server, user: str | None) -> Login | None:
    """User name and password from the environment or the system's keyring; None if there is no user.

    Raises
    ------
    MailError : a user, but no password
    """
    user = os.environ.get("KITPROOF_SMTP_USER") or user
    if not user:
        return None
    password = os.environ.get("KITPROOF_SMTP_PASSWORD") or _from_keyring(server, user)
    if not password:
        raise MailError(
            f"no password for {user} at {server.host}: set KITPROOF_SMTP_PASSWORD, or with the package keyring "
            f"installed run: keyring set kitproof:{server.host} {user}"
        )
    return Login(user=user, password=password)


def _from_keyring(server: Server, user: str) -> str | None:
    try:
        keyring = import_module("keyring")
    except ImportError:
        return None
    try:
        found = keyring.get_password(f"kitproof:{server.host}", user)
    except Exception:  # each system's keyring fails in its own way; without it there is simply no password
        return None
    return found if isinstance(found, str) else None
