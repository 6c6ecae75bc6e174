"""When do the certificates end that the settings name? Looked at in the files themselves, hourly.

The standard library shows this of authorities' certificates only, and a library that shows all takes 17 MiB; so the one
field is read here. Certificate ::= SEQUENCE { tbs SEQUENCE { [0] version OPTIONAL, serial, algorithm, issuer, validity
SEQUENCE { notBefore, notAfter }, … } … } (RFC 5280, 4.1); times are UTCTime or GeneralizedTime, always in Z (4.1.2.5).
"""

import math
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

from gateway.model.files import UnfitFile, read_small
from gateway.model.settings import Settings

FILE_BYTES_MAX = 4 << 20
"""A whole system's bundle of authorities has about 250 kB; a mistaken path to something big is not read in."""
CERTIFICATES_MAX = 1_000
LOOK_S = 3_600.0
DAY_S = 86_400.0
_BEGIN, _END = "-----BEGIN CERTIFICATE-----", "-----END CERTIFICATE-----"
_SEQUENCE, _VERSION, _UTC_TIME, _GENERALIZED_TIME = 0x30, 0xA0, 0x17, 0x18


@dataclass(frozen=True, slots=True)
class Ending:
    """A file whose certificate ends soon, has ended, or cannot be read (`days` is then `None`)."""

    days: float | None
    text: str


def ends_utc_s(pem: str) -> list[float]:
    """The ends of all certificates of a PEM text, in seconds since 1970. Raises ValueError where there is none."""
    parts = list(islice(pem.split(_BEGIN)[1:], CERTIFICATES_MAX))
    if not parts or any(_END not in part for part in parts):
        raise ValueError("holds no certificate")
    return [_end(ssl.PEM_cert_to_DER_cert(_BEGIN + part.partition(_END)[0] + _END)) for part in parts]


def _end(der: bytes) -> float:
    tag, certificate, _ = _field(der)
    inner, tbs, _ = _field(certificate)
    if (tag, inner) != (_SEQUENCE, _SEQUENCE):
        raise ValueError("is no certificate")
    first, _, rest = _field(tbs)
    # Serial number (unless that was it), algorithm, issuer; then the validity.
    for _ in range(3 if first == _VERSION else 2):
        _, _, rest = _field(rest)
    _, validity, _ = _field(rest)
    _, _, rest = _field(validity)
    kind, text, _ = _field(rest)
    return _time(kind, text.decode("ascii"))


def _field(der: bytes) -> tuple[int, bytes, bytes]:
    """Tag, content and what comes after, of the first field."""
    if len(der) < 2:
        raise ValueError("is cut short")
    tag, size, at = der[0], der[1], 2
    if size & 0x80:
        at += size & 0x7F
        size = int.from_bytes(der[2:at], "big")
    if len(der) < at + size:
        raise ValueError("is cut short")
    return tag, der[at : at + size], der[at + size :]


def _time(kind: int, text: str) -> float:
    if kind == _UTC_TIME:
        # Two digits: from 50 on they belong to the last century (RFC 5280, 4.1.2.5.1).
        text = ("19" if text[:2] >= "50" else "20") + text
    elif kind != _GENERALIZED_TIME:
        raise ValueError("has no time where its end should be")
    return datetime.strptime(text, "%Y%m%d%H%M%SZ").replace(tzinfo=UTC).timestamp()


class CertificateWatch:
    """Looks after the certificate files of brokers and page, once an hour."""

    def __init__(self, settings: Settings) -> None:
        self._files: list[tuple[str, Path, Callable[[list[float]], float]]] = []
        for b in settings.broker:
            if b.cert_file is not None:
                self._files.append((f"broker {b.name}: cert_file {b.cert_file}", b.cert_file, min))
            if b.ca_file is not None:
                # Of several authorities one may end while another takes over; of a chain each must hold.
                self._files.append((f"broker {b.name}: ca_file {b.ca_file}", b.ca_file, max))
        if settings.page.enabled and settings.page.cert_file is not None:
            self._files.append((f"page: cert_file {settings.page.cert_file}", Path(settings.page.cert_file), min))
        self._reminder_days = settings.gateway.certificate_reminder_days
        self._looked_s: float | None = None
        self._found: Ending | None = None

    def look(self, utc_s: float, now_s: float) -> Ending | None:
        """The worst of them, or `None` while all hold long enough. `now_s`: monotonic."""
        if self._looked_s is None or now_s - self._looked_s >= LOOK_S:
            self._looked_s = now_s
            found = [e for file in self._files if (e := self._ending(*file, utc_s))]
            self._found = min(found, key=lambda e: -math.inf if e.days is None else e.days, default=None)
        return self._found

    def _ending(self, what: str, path: Path, which: Callable[[list[float]], float], utc_s: float) -> Ending | None:
        try:
            end_s = which(ends_utc_s(read_small(path, FILE_BYTES_MAX).decode("ascii", "replace")))
        except (UnfitFile, ValueError) as e:
            return Ending(None, f"{what} cannot be read as a certificate: {e}")
        days = (end_s - utc_s) / DAY_S
        if days > self._reminder_days:
            return None
        on = datetime.fromtimestamp(end_s, UTC).strftime("%Y-%m-%d")
        if days <= 0:
            return Ending(days, f"{what} ended on {on} and is refused; put a new one in its place")
        return Ending(days, f"{what} ends on {on}, in {days:.0f} days; have a new one made")
