"""The report as a file: whole or not at all, as HTML, or as PDF by the library of the extra `pdf`."""

import logging
from pathlib import Path

from gateway.model.errors import Refused
from gateway.store.whole_file import write_whole

NO_PDF = (
    "no PDF can be made here. Make the report as HTML (in a terminal give --out a name that ends in .html). Or install "
    "the extra `pdf` and Pango (Debian: libpango-1.0-0, libpangoft2-1.0-0, libharfbuzz-subset0)"
)


def write_report(path: Path, html: str) -> None:
    """Write it under this name, of the kind of the name's ending.

    Raises StorageError where the disk refuses, Refused where no PDF can be made here. What was there before stays until
    the new one is whole.
    """
    write_whole(path, printed(html) if path.suffix.lower() == ".pdf" else html.encode())


def printed(html: str) -> bytes:
    """As PDF/A-2b: fonts embedded, the colours' profile within. Raises Refused where it cannot be made here."""
    try:
        from weasyprint import HTML
        from weasyprint.urls import URLFetcher
    except (ImportError, OSError) as e:
        raise Refused(f"{NO_PDF} ({str(e).splitlines()[0][:100]})") from None
    for name in ("weasyprint", "fontTools"):
        logging.getLogger(name).setLevel(logging.ERROR)
    # A report refers to nothing outside itself: photos stand in it as data.
    data: bytes = HTML(string=html, url_fetcher=URLFetcher(allowed_protocols=["data"])).write_pdf(
        pdf_variant="pdf/a-2b"
    )
    return data
