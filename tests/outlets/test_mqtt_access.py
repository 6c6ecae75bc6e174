"""How the link shows itself: passwords from file and environment, TLS files, and that no password is ever told."""

import errno
import os
import socket
from pathlib import Path

import pytest
from mqtt_fakes import broker_settings

from gateway.model.errors import PortError
from gateway.model.files import SECRET_BYTES_MAX
from gateway.outlets.mqtt.access import alert_text, read_password, tls_context, unreachable

SECRET = "käse-und-brot"


def secret_file(folder: Path, content: bytes = SECRET.encode() + b"\n", mode: int = 0o600) -> Path:
    """A password file."""
    path = folder / "password"
    path.write_bytes(content)
    path.chmod(mode)
    return path


def test_password_from_file_without_its_line_end(tmp_path: Path) -> None:
    """Pins that the file's one line is the password, umlauts and all."""
    broker = broker_settings(1883, user="gw", password_file=secret_file(tmp_path))
    assert read_password(broker) == SECRET


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o666, 0o620, 0o700 | 0o001])
def test_password_file_that_others_may_touch_is_refused(tmp_path: Path, mode: int) -> None:
    """Pins that any right of group or world on the file is refused with the command that mends it."""
    path = secret_file(tmp_path, mode=mode)
    with pytest.raises(PortError, match=r"others may read it \(mode \d{3}\); chmod 600 ") as caught:
        read_password(broker_settings(1883, user="gw", password_file=path))
    assert SECRET not in str(caught.value)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"\n", "is empty"),
        (b"\xff\xfe", "not UTF-8"),
        (b"x" * (SECRET_BYTES_MAX + 1), "is longer than"),
    ],
)
def test_password_file_that_holds_none(tmp_path: Path, content: bytes, words: str) -> None:
    """Pins the message for a file that is empty, not text, or no password file at all."""
    with pytest.raises(PortError, match=words):
        read_password(broker_settings(1883, user="gw", password_file=secret_file(tmp_path, content)))


def test_password_file_that_is_not_there(tmp_path: Path) -> None:
    """Pins the message for a missing file, and for a folder in its place."""
    with pytest.raises(PortError, match="cannot be read: No such file"):
        read_password(broker_settings(1883, user="gw", password_file=tmp_path / "none"))
    with pytest.raises(PortError, match="is a folder"):
        read_password(broker_settings(1883, user="gw", password_file=tmp_path))


def test_password_from_the_environment() -> None:
    """Pins that the named variable holds it, and that a missing or empty one is told by name."""
    broker = broker_settings(1883, user="gw", password_env="CAMDRIFT_TEST_PASSWORD")
    assert read_password(broker, {"CAMDRIFT_TEST_PASSWORD": SECRET}) == SECRET
    for environ in ({}, {"CAMDRIFT_TEST_PASSWORD": ""}):
        with pytest.raises(PortError, match="CAMDRIFT_TEST_PASSWORD is not set or empty"):
            read_password(broker, environ)


def test_no_password_asked_for_is_none() -> None:
    """Pins that a user without password is possible."""
    assert read_password(broker_settings(1883, user="gw"), os.environ) is None


def test_tls_files_that_cannot_be_used_are_named(tmp_path: Path) -> None:
    """Pins that a missing CA file and one without a certificate are told by name."""
    with pytest.raises(PortError, match=r"ca_file .*none\.pem: cannot be read: No such file"):
        tls_context(broker_settings(8883, tls=True, ca_file=tmp_path / "none.pem"))
    (tmp_path / "odd.pem").write_text("no certificate")
    with pytest.raises(PortError, match="cannot be used"):
        tls_context(broker_settings(8883, tls=True, ca_file=tmp_path / "odd.pem"))


@pytest.mark.parametrize("mode", [0o604, 0o640, 0o660])
def test_a_key_that_others_may_read_is_refused(tmp_path: Path, mode: int) -> None:
    """Pins that a key is shown to nobody but its owner, before anything is opened, and that the way out is told."""
    key = tmp_path / "ship.key"
    key.write_text("a key")
    key.chmod(mode)
    broker = broker_settings(8883, tls=True, cert_file=key, key_file=key)
    with pytest.raises(PortError, match=rf"ship\.key: others may read it \(mode {mode:03o}\); chmod 600"):
        tls_context(broker)
    key.chmod(0o600)
    with pytest.raises(PortError, match="cannot be used"):
        tls_context(broker)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("failed to receive: [SSL: SSLV3_ALERT_CERTIFICATE_EXPIRED] sslv3 alert (_ssl.c:2580)", "has ended; put a new"),
        ("failed to receive: [SSL: TLSV1_ALERT_UNKNOWN_CA] tlsv1 alert unknown ca (_ssl.c:2580)", "who signed"),
        ("failed to receive: [SSL: SSLV3_ALERT_BAD_CERTIFICATE] sslv3 (_ssl.c:2580)", "the clocks here and there"),
        ("failed to receive: [SSL: TLSV1_ALERT_INTERNAL_ERROR] tlsv1 (_ssl.c:2580)", "broke off (internal error)"),
    ],
)
def test_a_brokers_alert_says_what_to_do(said: str, words: str) -> None:
    """Pins the words for what a broker has against our certificate (alerts of RFC 8446, section 6.2)."""
    assert words in alert_text(said)
    assert alert_text("failed to receive: Connection reset by peer") == ""


def test_only_silence_counts_as_unreachable() -> None:
    """Pins what makes trying free of charge: nobody answered. A refusal, or a handshake that hangs, is an answer."""
    silent = (TimeoutError("timed out"), OSError(errno.EHOSTUNREACH, ""), socket.gaierror(socket.EAI_AGAIN, ""))
    assert all(unreachable(e) for e in silent)
    answered = (
        ConnectionRefusedError(errno.ECONNREFUSED, ""),
        TimeoutError("_ssl.c:1: The handshake operation timed out"),
        socket.gaierror(socket.EAI_NONAME, ""),
        OSError(errno.EACCES, ""),
        ValueError(),
    )
    assert not any(unreachable(e) for e in answered)


def test_tls_always_checks_certificate_and_host() -> None:
    """Pins that there is no setting under which the broker's identity is not checked."""
    import ssl

    context = tls_context(broker_settings(8883, tls=True))
    assert context is not None
    assert (context.verify_mode, context.check_hostname) == (ssl.CERT_REQUIRED, True)
    assert tls_context(broker_settings(1883)) is None
