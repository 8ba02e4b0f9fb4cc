"""How a broker is reached: address, TLS, and who we are; secrets come from files or the environment alone."""

from __future__ import annotations

import os
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import SplitResult, urlsplit

from bus.errors import SettingsError, shown
from capture.station import Broker

USER_VARIABLE = "SHIMWRIGHT_MQTT_USER"
PASSWORD_VARIABLE = "SHIMWRIGHT_MQTT_PASSWORD"  # noqa: S105 - a name, no password

PLAIN_PORT, TLS_PORT = 1883, 8883

MOST_PASSWORD_BYTES = 4096
"""A larger password file is none."""

WHERE_SECRETS_GO = (
    "a password does not belong in a URL, where logs and lists of processes show it: write user and "
    f"password_file under [broker] in the station file, or set {USER_VARIABLE} and {PASSWORD_VARIABLE}"
)


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """A broker, and who we are there. Holds no password: that is read when it is needed.

    Attributes:
        url: ``mqtt://HOST[:PORT]``, or ``mqtts://`` for TLS.
        user: User name; None to take the environment's, or none.
        password_file: File whose first line is the password; None to take the environment's, or none.
        ca: File with the certificates of authorities to trust; None for the system's.
        certificate: File with our own certificate, for brokers that ask for one.
        key: File with its key.
    """

    url: str
    user: str | None = None
    password_file: Path | None = None
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None

    def __post_init__(self) -> None:
        check_url(self.url)
        if not self.tls:
            for key in ("ca", "certificate", "key"):
                if getattr(self, key) is not None:
                    raise SettingsError(key, f"{key} is for TLS: write mqtts:// instead of mqtt://")
        if (self.certificate is None) != (self.key is None):
            has, lacks = ("certificate", "key") if self.key is None else ("key", "certificate")
            raise SettingsError(lacks, f"{has} needs its {lacks}: name both files")

    @property
    def host(self) -> str:
        """Name or address of the broker's machine."""
        return _split(self.url).hostname or ""

    @property
    def port(self) -> int:
        """Its port; the usual one if the URL names none."""
        return _split(self.url).port or (TLS_PORT if self.tls else PLAIN_PORT)

    @property
    def tls(self) -> bool:
        """Whether the connection is encrypted and the broker's certificate checked."""
        return self.url.startswith("mqtts://")

    @property
    def place(self) -> str:
        """The address for a person: ``broker.larkfield:8883``."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.port}"

    @property
    def is_here(self) -> bool:
        """Whether the broker runs on this machine, as far as its name tells."""
        return self.host in {"localhost", "::1"} or self.host.startswith("127.")

    def login(self, environment: Mapping[str, str] | None = None) -> tuple[str | None, str | None]:
        """User and password: what the settings name, else what the environment says. Reads the file.

        Args:
            environment: Its variables; this process's if not given.

        Raises:
            SettingsError: If the password file cannot be used, or there is a password and no user.
        """
        variables = os.environ if environment is None else environment
        user = self.user or variables.get(USER_VARIABLE) or None
        if self.password_file is not None:
            password: str | None = _password_in(self.password_file)
        else:
            password = variables.get(PASSWORD_VARIABLE) or None
        if password is not None and user is None:
            why = f"there is a password and no user: write user under [broker], or set {USER_VARIABLE}"
            raise SettingsError("user", why)
        return user, password

    def tls_context(self) -> ssl.SSLContext | None:
        """What TLS is done with; None without TLS. Reads the files; the broker's certificate is checked.

        Raises:
            SettingsError: If a file cannot be used.
        """
        if not self.tls:
            return None
        _readable("ca", self.ca)
        _readable("certificate", self.certificate)
        _readable("key", self.key)
        try:
            context = ssl.create_default_context(cafile=self.ca)
        except ssl.SSLError:
            raise SettingsError("ca", f"{self.ca} holds no certificate of an authority (PEM)") from None
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if self.certificate is not None:
            try:
                # a key that wants a passphrase would ask for it on the terminal: a service has none
                context.load_cert_chain(self.certificate, self.key, password=lambda: b"")
            except (ssl.SSLError, OSError):
                both = f"{self.certificate} and {self.key}"
                why = f"{both} are no certificate with its key (PEM, without a passphrase)"
                raise SettingsError("certificate", why) from None
        return context

    def check(self) -> None:
        """Look whether all files that are named can be used.

        Raises:
            SettingsError: If one cannot.
        """
        self.login()
        self.tls_context()

    def warnings(self) -> list[str]:
        """What works, but should be put right, one line each. Looks at the password file's permissions."""
        found = []
        if not self.tls and not self.is_here:
            found.append(
                f"what goes to {self.place} is not encrypted, a password neither: use mqtts:// (docs/mqtt.md)"
            )
        secret = [one for one in (self.password_file, self.key) if one is not None and _others_may_read(one)]
        return found + [f"{one} can be read by everybody on this machine: chmod 600 {one}" for one in secret]


def settings_of(broker: Broker) -> BrokerSettings:
    """The broker of a station file.

    Raises:
        SettingsError: If its keys do not go together.
    """
    return BrokerSettings(
        url=broker.url,
        user=broker.user,
        password_file=broker.password_file,
        ca=broker.ca,
        certificate=broker.certificate,
        key=broker.key,
    )


def check_url(url: str) -> None:
    """Say what is wrong with a broker's URL, without repeating a secret in it.

    Args:
        url: As written.

    Raises:
        SettingsError: If it is none.
    """
    if "@" in url:
        raise SettingsError("url", WHERE_SECRETS_GO)
    form = "write mqtt://HOST:PORT, or mqtts://HOST:PORT for TLS"
    try:
        parts = _split(url)
        port = parts.port
    except ValueError:
        raise SettingsError("url", f"{shown(url)} is no broker: {form}") from None
    extra = parts.path.strip("/") or parts.query or parts.fragment
    if parts.scheme not in {"mqtt", "mqtts"} or not parts.hostname or extra or port == 0:
        raise SettingsError("url", f"{shown(url)} is no broker: {form}")
    if any(c.isspace() or not c.isprintable() for c in url):
        raise SettingsError("url", f"{shown(url)} is no broker: {form}")


def _split(url: str) -> SplitResult:
    return urlsplit(url)


def _password_in(file: Path) -> str:
    _readable("password_file", file)
    data = file.read_bytes()[: MOST_PASSWORD_BYTES + 1]
    first = data.split(b"\n", 1)[0].rstrip(b"\r")
    if not first or len(data) > MOST_PASSWORD_BYTES:
        raise SettingsError("password_file", f"{file}: its first line is to be the password, and it is not")
    try:
        return first.decode()
    except UnicodeDecodeError:
        raise SettingsError("password_file", f"{file}: the password is not UTF-8") from None


def _readable(key: str, file: Path | None) -> None:
    if file is None:
        return
    try:
        with file.open("rb") as one:
            one.read(1)
    except OSError as error:
        why = (error.strerror or "cannot be read").lower()
        raise SettingsError(key, f"{key} {file}: {why}") from None


def _others_may_read(file: Path) -> bool:
    try:
        return os.name == "posix" and bool(file.stat().st_mode & 0o004)
    except OSError:
        return False
