"""The settings of the engine room's page: where it listens, who may act, how it looks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field

from gateway.model.fields import Finite, Integer, Line, Section, Switch, schema_default

PASSWORD_LENGTH_MIN = 12
"""Shorter ones are refused when a hash is made; nothing else is asked of them."""

HostName = Annotated[str, Field(pattern=r"^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$")]
FilePath = Annotated[str, Field(min_length=1, max_length=4_095, pattern=r"^[^\x00]*$")]
"""A path as text, without NUL; Linux takes no longer one."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PageUser(Section):
    """Somebody who may act. The hash is the line that `camdrift page-password` prints."""

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,32}$")]
    password_hash: Annotated[str, Field(pattern=r"^\$argon2id\$[!-~]{20,300}$")] | None = None
    password_hash_file: FilePath | None = None

    def __post_init__(self) -> None:
        if (self.password_hash is None) == (self.password_hash_file is None):
            raise ValueError("give either password_hash or password_hash_file, one of the two; see page-password")


@dataclass(frozen=True, kw_only=True, slots=True)
class PageSettings(Section):
    """The page. It reads the present and the history; acting needs one of `users`, of whom there are none at first."""

    enabled: Switch = True
    listen: Line = "127.0.0.1"
    """An address of the engine-room network, where others shall see it; never one that the shore reaches."""
    port: Annotated[Integer, Field(ge=0, le=65_535)] = 8484
    """0 = any free port (tests)."""
    names: Annotated[list[HostName], Field(max_length=16)] = field(default_factory=list, metadata=schema_default([]))
    """Names under which browsers may ask for it, beside addresses and `localhost`; others are refused."""
    cert_file: FilePath | None = None
    key_file: FilePath | None = None
    """With both the page is served over TLS only."""
    view_without_login: Switch = True
    users: Annotated[list[PageUser], Field(max_length=32)] = field(default_factory=list, metadata=schema_default([]))
    session_minutes: Annotated[Finite, Field(ge=1, le=1_440)] = 15.0
    """A log-in ends after so long without an act or a click."""
    failures_max: Annotated[Integer, Field(ge=1, le=20)] = 5
    locked_minutes: Annotated[Finite, Field(ge=1, le=1_440)] = 15.0
    """After `failures_max` wrong log-ins by a name from an address each next one there waits longer, up to this."""
    viewers_max: Annotated[Integer, Field(ge=1, le=256)] = 32
    alarm_colour: Literal["amber", "red"] = "red"
    """Alarms: red after MSC.191(79) 5.7.1, or amber after A.1021(26) table 7.1.2. Warnings orange, cautions yellow."""
    sound: Switch = True
    """The page may sound for what is not acknowledged, once somebody has pressed "Sound" on that screen."""

    def __post_init__(self) -> None:
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file go together; set both or neither")
        names = [u.name for u in self.users]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(f"user named twice: {', '.join(twice)}")
