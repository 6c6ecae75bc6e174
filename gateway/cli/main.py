"""`camdrift`: the command line. Data to stdout, everything else to stderr, and no traceback to anybody."""

import argparse
import os
import sys
from collections.abc import Iterable, Sequence
from importlib import import_module
from keyword import iskeyword
from types import ModuleType

from gateway import __version__
from gateway.cli.arguments import ADD
from gateway.model.errors import CamdriftError, PortError, Refused, SettingsError, StorageError

EX_CONFIG = 78
EX_IOERR = 74
# What each does, as --help shows it: docstrings are gone under -OO, which the service runs with.
COMMANDS = {
    "demo": "Show the whole job on this machine: simulated head, broker, daemon, page and subscriber, "
    "within two minutes.",
    "setup": "Set up this box: names, the head's port, brokers, certificates, passwords; ends with a trial alarm.",
    "doctor": "Show what is wrong on this box, each with the line that mends it; pack a bundle for support.",
    "run": "Run the daemon until it is asked to stop (SIGTERM or Ctrl-C).",
    "check": "Check a configuration and print what follows from it.",
    "replay": "Run a capture through the same pipeline and print what the daemon would publish, "
    "one JSON object a line.",
    "import": "Make a capture for replay from another logger's CSV recording, and report what the recording lacks.",
    "commission": "Go through the first fitting of a head: wiring, zero, calibration, trial alarm; "
    "print a record to sign.",
    "status": "Show what the running daemon sees: engines, alarms, brokers, disk, and the alarm load.",
    "acknowledge": "Acknowledge an alarm, or all of them.",
    "shelve": "Shelve an alarm for some minutes, at most a day; it returns by itself.",
    "unshelve": "Unshelve an alarm before its time.",
    "out-of-service": "Take an alarm out of service for work on the drive; only in-service ends it.",
    "in-service": "Put an alarm back in service.",
    "try-alarm": "Raise the trial alarm, to see that it arrives at panel, relay, page, ship and shore.",
    "silence": "Stop the sound until the next announcement; nothing else changes.",
    "trend": "Print the present trend: wear, when which limit is reached, and the decision.",
    "sheet": "Work sheets: cautions, figures, order of steps, and what to book after; live beside a running daemon.",
    "book": "Book what was done at the drive, or measured: who, when, at what running hours, which figures.",
    "export": "Print events, bookings or history as CSV, or an ISO 19848 package and its channel list.",
    "report": "Make a report of a period, or the survey file: figures, plots, forecast, alarms, work, to sign.",
    "panel": "Print the list for the panel's maker: registers, discrete inputs, coils, alert identifiers, sentences, "
    "relay.",
    "schema": "Print the JSON Schema of a message or of the configuration.",
    "page-password": "Read a password, hidden, and print the line for the settings that "
    "lets its owner act on the page.",
    "completion": "Print the completion of commands and options for a shell: bash, zsh, fish or tcsh.",
    "shore": "The shore side: keep what a fleet sends, watch its alerts, list its engines.",
}
WITHOUT_LOGS = frozenset(
    (
        "status",
        "acknowledge",
        "shelve",
        "unshelve",
        "out-of-service",
        "in-service",
        "silence",
        "try-alarm",
        "schema",
        "panel",
        "completion",
    )
)
"""Commands that log nothing: the logging library would take longer to import than they run."""
EPILOG = (
    "camdrift is a monitoring aid: it stops and starts nothing. It never replaces the engine maker's manual, class "
    "rules, the safety management system, a permit to work or a licensed engineer's judgement."
)


def command(name: str) -> ModuleType:
    """The module of a command, imported only when it is called: the daemon carries none of the others."""
    module = name.replace("-", "_")
    return import_module(f"gateway.cli.{module}{'_' if iskeyword(module) else ''}")


def parser(names: Iterable[str] = COMMANDS) -> argparse.ArgumentParser:
    """The command line: all commands are listed, and the modules of `names` imported for their arguments."""
    top = argparse.ArgumentParser(
        prog="camdrift", description="Watches the camshaft chain drive of a ship's engine.", epilog=EPILOG
    )
    top.add_argument("--version", action="version", version=f"camdrift {__version__}")
    top.add_argument("--debug", action="store_true", help="log more, and how an unexpected fault came about")
    sub = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    with_arguments = frozenset(names)
    for name, text in COMMANDS.items():
        one = sub.add_parser(name, help=text, description=text, epilog=EPILOG)
        if name in with_arguments:
            (ADD.get(name) or command(name).add)(one)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command. Exit status: 0 done, 1 the answer is no, 2 usage, 74 a port or a disk, 78 the configuration."""
    words = sys.argv[1:] if argv is None else list(argv)
    first = next((word for word in words if not word.startswith("-")), None)
    args = parser([first] if first in COMMANDS else ()).parse_args(words)
    if args.command not in WITHOUT_LOGS:
        from gateway.cli.logs import set_up_logs

        set_up_logs(debug=args.debug)
    try:
        status = command(args.command).main(args)
        sys.stdout.flush()
        return int(status)
    except SettingsError as e:
        return _failed(str(e), EX_CONFIG)
    except (PortError, StorageError) as e:
        return _failed(f"camdrift: {e}", EX_IOERR)
    except Refused as e:
        return _failed(f"camdrift: {e}", 1)
    except CamdriftError as e:
        return _failed(f"camdrift: {e}", 1)
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # Whoever read our output has gone; writing the rest of it at exit would only fail again.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as e:
        # Files and ports have their own errors; what is left is mostly a full disk behind our output.
        return _failed(f"camdrift: {e.filename or 'output'}: {e.strerror or e}", EX_IOERR)
    except Exception as e:
        if args.debug:
            raise
        return _failed(f"camdrift: unexpected fault, please report it: {type(e).__name__}: {e} (--debug shows more)", 1)


def _failed(text: str, status: int) -> int:
    print(text, file=sys.stderr)  # noqa: T201
    return status
