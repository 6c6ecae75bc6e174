"""The settings' file: TOML, validated; each fault is a line `file: key: what is wrong, what is allowed`."""

import hashlib
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from gateway.model.errors import SettingsError
from gateway.model.fields import Section
from gateway.model.settings import Settings
from gateway.model.shore_settings import ShoreSettings
from gateway.model.toml_file import read_toml
from gateway.model.validate import adapter_of, faults

FAULTS_MAX = 100
"""Shown at once: a file of another kind has one in each of a hundred thousand lines."""

S = TypeVar("S", bound=Section)


def shipped_config(name: str) -> Path:
    """An example that travels with the package; in a checkout it lies in the folder `config`."""
    package = Path(__file__).resolve().parents[1]
    installed = package / "_config" / name
    return installed if installed.exists() else package.parent / "config" / name


def load_settings(path: Path) -> Settings:
    """Read and check a settings file. Raises SettingsError with one line per fault, `file: key: what is wrong`."""
    return _load(Settings, path)


def load_shore_settings(path: Path) -> ShoreSettings:
    """Read and check the shore's settings file. Raises SettingsError as `load_settings` does."""
    return _load(ShoreSettings, path)


def _load(kind: type[S], path: Path) -> S:
    data = read_toml(path)
    try:
        return checked_section(kind, data)
    except ValidationError as e:
        lines = list(faults(e, whole="(whole file)", toml=kind))
        more = [f"and {len(lines) - FAULTS_MAX:,} more; correct these first"] if len(lines) > FAULTS_MAX else []
        raise SettingsError([f"{path}: {line}" for line in [*lines[:FAULTS_MAX], *more]]) from None


def checked_settings(data: object) -> Settings:
    """Settings from plain data, a mapping. Raises pydantic's ValidationError."""
    return adapter_of(Settings).validate_python(data)


def checked_section(kind: type[S], data: object) -> S:
    """One section from plain data, a mapping. Raises pydantic's ValidationError."""
    return adapter_of(kind).validate_python(data)


def settings_json(settings: Settings) -> bytes:
    """All that is set, compact, keys in the order of the sections."""
    return adapter_of(Settings).dump_json(settings)


def fingerprint(settings: Settings) -> str:
    """Twelve hexadecimal digits of all that is set, however the file is laid out; the event of a start has it."""
    return hashlib.sha256(settings_json(settings)).hexdigest()[:12]
