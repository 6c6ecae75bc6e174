"""Run the daemon until it is asked to stop (SIGTERM or Ctrl-C)."""

import argparse
import faulthandler
import signal
import threading

import structlog

from gateway.app.daemon import Daemon
from gateway.model.settings_file import fingerprint, load_settings

NEW_SETTINGS = "restart the service to read new settings"


def main(args: argparse.Namespace) -> int:
    """Start, watch, stop."""
    settings = load_settings(args.config)
    log = structlog.get_logger("run")
    faulthandler.enable()
    stopping = threading.Event()
    for signum in (signal.SIGTERM, signal.SIGINT):
        signal.signal(signum, lambda *_: stopping.set())
    signal.signal(signal.SIGHUP, lambda *_: log.warning("daemon.sighup_ignored", action=NEW_SETTINGS))
    daemon = Daemon(settings, fingerprint(settings), data_dir=args.data_dir)
    log.info("daemon.started", vessel=settings.vessel.slug, data_dir=str(daemon.data_dir))
    daemon.start()
    try:
        status = daemon.run_until(stopping)
        if status:
            log.error("daemon.gives_up", why="every engine failed again and again; the service manager starts it again")
    finally:
        # Also where the watch itself failed: what the parts have is still written and sent.
        log.info("daemon.stopping", why="what is due is written and sent")
        whole = daemon.stop()
        log.info("daemon.stopped", all_written=whole)
    return status
