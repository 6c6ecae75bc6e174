"""How we show ourselves to a broker, and the true reason, in one line, why it would not have us."""

import errno
import os
import re
import socket
import ssl
import time
from collections.abc import Mapping
from pathlib import Path

from gateway.model.errors import PortError
from gateway.model.files import UnfitFile, check_secret, read_secret, read_small
from gateway.model.settings import BrokerSettings

CERTIFICATES_BYTES_MAX = 4_194_304
"""A system's whole bundle of authorities is some 250 kB."""

_HINTS = {
    0x80: "it refuses without a reason",
    0x81: "it could not read our CONNECT",
    0x82: "it answered a protocol error to our CONNECT",
    0x84: "it does not support this version of MQTT; set protocol to the other of 5 and 3.1.1",
    0x85: "it does not accept the client id; set client_id",
    0x86: "bad user name or password; check user and password_file or password_env",
    0x87: "not authorized; check user and password, and the broker's access list",
    0x88: "the broker is not available now",
    0x89: "the broker is busy",
    0x8A: "the broker has banned this client",
    0x8C: "it requires another way of authentication",
    0x8E: "another client took over with the same client id; give each gateway its own client_id",
    0x93: "we sent more messages than its Receive Maximum allows",
    0x95: "a message was larger than it takes",
    0x97: "its quota is exceeded",
    0x9A: "it keeps no retained messages",
    0x9F: "too many connections in a short time",
}

_ALERTS = {
    "CERTIFICATE_EXPIRED": "the broker reports that our certificate has ended; put a new one in place of cert_file",
    "CERTIFICATE_REVOKED": "the broker reports that our certificate is revoked; put a new one in place of cert_file",
    "CERTIFICATE_REQUIRED": "the broker requires a client certificate; set cert_file and key_file",
    "UNKNOWN_CA": "the broker does not know who signed our certificate; check cert_file, and the broker's authority",
    "BAD_CERTIFICATE": "the broker does not accept our certificate, which may not be valid yet; check cert_file, and "
    "the clocks here and there",
    "CERTIFICATE_UNKNOWN": "the broker does not accept our certificate; check cert_file, and the clocks here and there",
}
"""By TLS's own names of alerts (RFC 8446, section 6.2)."""
_BY_THE_CLOCK = {9: "is not valid yet", 10: "has ended"}
"""X509_V_ERR_CERT_NOT_YET_VALID and X509_V_ERR_CERT_HAS_EXPIRED of OpenSSL."""
_SILENT = frozenset((errno.ETIMEDOUT, errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ENETDOWN, errno.EHOSTDOWN))


class Unreachable(PortError):
    """No word came back from there: the link is down, and trying costs next to nothing."""


def alert_text(text_in: str) -> str:
    """What a TLS alert of the broker means, from OpenSSL's line about it; empty where it is none."""
    found = re.search(r"\[SSL: \w*ALERT_(\w+)\]", text_in)
    if found is None:
        return ""
    name = found.group(1)
    return f"TLS: {_ALERTS.get(name, 'the broker broke off')} ({name.lower().replace('_', ' ')})"


def reason_text(code: int, name: str) -> str:
    """A reason code of a CONNACK or DISCONNECT in words, with what to do; `name` is the standard's own."""
    return _HINTS.get(code, name) + f" (0x{code:02X})"


def read_password(broker: BrokerSettings, environ: Mapping[str, str] = os.environ) -> str | None:
    """The password from the file or the variable that the settings name, or None.

    Raises PortError where it cannot be had, or where others than the owner may read the file; its text never holds it.
    """
    if broker.password_env:
        if not environ.get(broker.password_env):
            raise PortError(
                f"password_env: the variable {broker.password_env} is not set or empty; "
                "set it for the service, or use password_file"
            )
        return environ[broker.password_env]
    return _from_file(broker.password_file) if broker.password_file else None


def _from_file(path: Path) -> str:
    try:
        raw = read_secret(path)
    except UnfitFile as e:
        raise PortError(f"password_file {path}: {e}") from None
    try:
        text = raw.decode().rstrip("\r\n")
    except UnicodeDecodeError:
        raise PortError(f"password_file {path}: is not UTF-8 text; write it again as UTF-8") from None
    if not text:
        raise PortError(f"password_file {path}: is empty; write the password into it, nothing else")
    return text


def tls_context(broker: BrokerSettings) -> ssl.SSLContext | None:
    """The TLS context of the settings: the broker's certificate and host name are always checked. Raises PortError."""
    if not broker.tls:
        return None
    for key, path in (("ca_file", broker.ca_file), ("cert_file", broker.cert_file), ("key_file", broker.key_file)):
        try:
            if path is not None and key == "key_file":
                check_secret(path)
            elif path is not None:
                read_small(path, CERTIFICATES_BYTES_MAX)
        except UnfitFile as e:
            raise PortError(f"{key} {path}: {e}") from None
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
        if broker.cert_file:
            # A password callback: without one OpenSSL would ask at the terminal and wait for ever.
            context.load_cert_chain(broker.cert_file, broker.key_file, password=lambda: b"")
    except (ssl.SSLError, OSError) as e:
        raise PortError(
            f"TLS: ca_file, cert_file or key_file cannot be used: {_reason(e)}; check the files that the settings name"
        ) from None
    return context


def _reason(error: Exception) -> str:
    """OpenSSL's own word for it where there is one."""
    return str(getattr(error, "reason", None) or error)


def unreachable(error: Exception) -> bool:
    """Did nobody answer at all? Not so where TCP came about and only the TLS handshake hung."""
    if isinstance(error, socket.gaierror):
        return error.errno == socket.EAI_AGAIN
    if isinstance(error, TimeoutError):
        return "handshake" not in str(error)
    return isinstance(error, OSError) and error.errno in _SILENT


def why_not(error: Exception, host: str, port: int, within_s: float) -> str:
    """One line on why a connection could not be opened."""
    if isinstance(error, socket.gaierror):
        return f"host {host} is not known: {error.strerror}; check host and the name server"
    if isinstance(error, ConnectionRefusedError):
        return f"nothing listens at {host}:{port}; check that the broker runs, and host and port"
    if isinstance(error, ssl.SSLCertVerificationError):
        if error.verify_code in _BY_THE_CLOCK:
            return (
                f"TLS: the broker's certificate {_BY_THE_CLOCK[error.verify_code]} by this box's clock, which shows "
                f"{time.strftime('%Y-%m-%d', time.gmtime())}; set the clock, or if it is right renew the certificate"
            )
        return (
            f"TLS: the broker's certificate is not accepted: {error.verify_message}; check ca_file, host and the clock"
        )
    if isinstance(error, ssl.SSLError):
        reason = getattr(error, "reason", None) or error
        return f"TLS: no handshake with {host}:{port}: {reason}; check that TLS listens on this port"
    if isinstance(error, ConnectionResetError | ConnectionAbortedError):
        return f"{host}:{port} closed the connection at once; check port, and that tls here and there agree"
    if isinstance(error, TimeoutError):
        return f"no answer from {host}:{port} within {within_s:g} s"
    if isinstance(error, OSError):
        return f"{host}:{port} cannot be reached: {error.strerror or error}"
    return f"{host}:{port}: {type(error).__name__}: {error}"
