"""Small files that people write: nothing that hangs, has no end, or that somebody else has put there is read."""

import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from gateway.cli import main as cli
from gateway.model.errors import PortError, Refused, SettingsError
from gateway.model.files import UnfitFile, read_secret, read_small
from gateway.model.page_settings import PageSettings, PageUser
from gateway.model.settings import BrokerSettings
from gateway.model.settings_file import load_settings, shipped_config
from gateway.outlets.mqtt.access import read_password, tls_context
from gateway.web.sessions import Sessions, hash_password

as_root = pytest.mark.skipif(os.geteuid() != 0, reason="changes owners, which only root may")


def secret(path: Path, text: str = "a good password") -> Path:
    """A file that only its owner may read."""
    path.write_text(text, encoding="utf-8")
    path.chmod(0o600)
    return path


def broker(**keys: Any) -> BrokerSettings:
    """A broker's settings."""
    return BrokerSettings(name="ship", host="localhost", **keys)


def hash_of(path: Path) -> None:
    """The page reads a password's hash from this file."""
    Sessions(PageSettings(users=[PageUser(name="chief", password_hash_file=str(path))]), lambda *_: None)


READERS: dict[str, tuple[Callable[[Path], object], type[Exception]]] = {
    "settings": (load_settings, SettingsError),
    "password": (lambda p: read_password(broker(user="u", password_file=p)), PortError),
    "key": (lambda p: tls_context(broker(tls=True, cert_file=p, key_file=p)), PortError),
    "authority": (lambda p: tls_context(broker(tls=True, ca_file=p)), PortError),
    "hash": (hash_of, SettingsError),
}


def fifo(folder: Path) -> Path:
    """A FIFO into which nobody writes."""
    os.mkfifo(folder / "fifo", 0o600)
    return folder / "fifo"


ODD: dict[str, tuple[Callable[[Path], Path], str]] = {
    "FIFO": (fifo, "is a FIFO, not a regular file"),
    "device without end": (lambda _: Path("/dev/zero"), "is a device, not a regular file"),
    "terminal": (lambda _: Path("/dev/tty"), "is a device, not a regular file"),
    "folder": (lambda folder: folder, "is a folder, not a regular file"),
    "link to a device": (lambda f: (f / "link").symlink_to("/dev/zero") or f / "link", "is a device"),
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("odd", ODD)
def test_only_regular_files_are_read(tmp_path: Path, reader: str, odd: str) -> None:
    """Whatever lies there instead is refused in words: nothing waits, nothing is read without end."""
    make, words = ODD[odd]
    read, error = READERS[reader]
    place = make(tmp_path)
    refused: list[str] = []

    def attempt() -> None:
        try:
            read(place)
        except error as e:
            refused.append(str(e))

    # In a thread: a reader that hangs on a FIFO must fail the test and not end it.
    thread = threading.Thread(target=attempt, daemon=True)
    thread.start()
    thread.join(180)
    assert len(refused) == 1 and words in refused[0]


@pytest.mark.parametrize("command", ["check", "status"])
def test_a_command_refuses_a_device_as_settings(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit status 78 and one line."""
    assert cli.main([command, "/dev/zero"]) == 78
    assert capsys.readouterr().err.startswith("/dev/zero: is a device, not a regular file")


def test_size_is_bounded(tmp_path: Path) -> None:
    """A file at the bound is read, one byte more is refused."""
    path = secret(tmp_path / "file", "x" * 100)
    assert read_small(path, 100) == b"x" * 100
    with pytest.raises(UnfitFile, match="is longer than 99 bytes"):
        read_small(path, 99)
    (tmp_path / "big.toml").write_bytes(b"#" * 2_000_000)
    with pytest.raises(SettingsError, match="longer than"):
        load_settings(tmp_path / "big.toml")


@pytest.mark.parametrize("path", ["/nowhere/at/all", "/a\0b", "/etc/passwd/x"])
def test_a_path_that_leads_nowhere(path: str) -> None:
    """Refused in words by both readers."""
    for read in (lambda p: read_small(p, 10), read_secret):
        with pytest.raises(UnfitFile, match="cannot be read"):
            read(Path(path))


def test_a_secret_of_ones_own_is_read(tmp_path: Path) -> None:
    """Also through a link in a folder of one's own; the settings of the examples need no such care."""
    path = secret(tmp_path / "password")
    (tmp_path / "link").symlink_to("password")
    assert read_secret(path) == read_secret(tmp_path / "link") == b"a good password"
    assert load_settings(shipped_config("minimal.toml"))
    hash_of(secret(tmp_path / "hash", hash_password("twelve characters at least")))


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o620, 0o602])
def test_a_secret_that_others_may_read_or_write(tmp_path: Path, mode: int) -> None:
    """Refused with the command that sets it right."""
    path = secret(tmp_path / "password")
    path.chmod(mode)
    with pytest.raises(UnfitFile, match=rf"mode {mode:03o}.*chmod 600"):
        read_secret(path)


@as_root
def test_a_secret_of_another_owner(tmp_path: Path) -> None:
    """Who owns the file can change what is in it."""
    path = secret(tmp_path / "password")
    os.chown(path, 4_242, 4_242)
    with pytest.raises(UnfitFile, match=r"belongs to another user \(uid 4242\)"):
        read_secret(path)
    with pytest.raises(PortError, match="another user"):
        read_password(broker(user="u", password_file=path))


def test_a_link_in_a_folder_that_all_can_write_to(tmp_path: Path) -> None:
    """The link can lead elsewhere tomorrow; also as one of several, and as a folder on the way."""
    private, public = tmp_path / "private", tmp_path / "public"
    private.mkdir(0o700)
    public.mkdir()
    public.chmod(0o1777)
    path = secret(private / "password")
    (public / "link").symlink_to(path)
    (public / "folder").symlink_to(private)
    (private / "link").symlink_to("../public/link")
    for odd in (public / "link", public / "folder" / "password", private / "link"):
        with pytest.raises(UnfitFile, match="in a folder that all can write to"):
            read_secret(odd)
    assert read_secret(secret(public / "sticky")) == b"a good password"
    public.chmod(0o777)
    with pytest.raises(UnfitFile, match="others can replace it"):
        read_secret(public / "sticky")


def test_links_in_a_ring(tmp_path: Path) -> None:
    """Refused, and looked at no more than forty times."""
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    with pytest.raises(Refused, match="cannot be read"):
        read_secret(tmp_path / "a")
