"""`camdrift-head`: the simulated sensor head on a pty, a serial port, a TCP server, or into a capture file."""

from __future__ import annotations

import argparse
import contextlib
import signal
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import FrameType
from typing import Any

from firmware_sim import emulated, truth_file
from firmware_sim.head import Head
from firmware_sim.load import builtin_names, load_scenario
from firmware_sim.outlets import FileOutlet, Outlet, OutletError, PtyOutlet, SerialOutlet, TcpOutlet
from firmware_sim.play import play
from firmware_sim.scenario import Scenario, ScenarioError, checked
from firmware_sim.truth import Truth

DONE, ANSWER_NO, USAGE, IO_ERROR, CONFIG_ERROR = 0, 1, 2, 74, 78


class Stop:
    """Set by SIGTERM or SIGINT; everything that waits looks at it."""

    def __init__(self) -> None:
        self._told = False

    def __call__(self) -> bool:
        return self._told

    def tell(self, _signal: int = 0, _frame: FrameType | None = None) -> None:
        """The handler."""
        self._told = True


def main(argv: Sequence[str] | None = None) -> int:
    """Runs the command; returns its exit status. Usage errors leave by SystemExit(2), as argparse does."""
    parser = _parser()
    args = parser.parse_args(argv)
    if args.list:
        sys.stdout.write("".join(f"{name}\n" for name in builtin_names()))
        return DONE
    try:
        scenario = _scenario(args)
        if args.check:
            return DONE
        _usable(parser, args, scenario)
        return _run(args, scenario)
    except ScenarioError as e:
        sys.stderr.write(f"{e}\n")
        return CONFIG_ERROR
    except OutletError as e:
        sys.stderr.write(f"camdrift-head: {e}\n")
        return IO_ERROR


def _parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        prog="camdrift-head",
        description="A simulated sensor head on the sensor head link. The same scenario and seed give the same bytes.",
        epilog="Exit status: 0 done, 2 usage, 74 a port or a disk failed, 78 scenario refused.",
    )
    p.add_argument(
        "scenario",
        nargs="?",
        default="steady",
        help="a built-in scenario's name, a TOML file, or voyage:SEED (default: steady)",
    )
    out = p.add_mutually_exclusive_group()
    out.add_argument("--pty", action="store_true", help="a new pseudo terminal; its path is printed")
    out.add_argument("--serial", metavar="PORT", help="a serial port")
    out.add_argument(
        "--tcp", metavar="HOST:PORT", type=_address, help="a TCP server (127.0.0.1 if no host; port 0: any)"
    )
    out.add_argument("--out", metavar="FILE", type=Path, help="a capture file")
    p.add_argument("--link", metavar="PATH", type=Path, help="with --pty: a symbolic link to it")
    chip = "the firmware's image in the emulated chip, its pins moved by the scenario; in real time, but --out"
    p.add_argument("--emulated", action="store_true", help=chip)
    p.add_argument("--firmware", metavar="DIR", type=Path, help="with --emulated: the project's folder deploy/head")
    p.add_argument("--baud", type=int, default=230_400, help="with --serial (default: 230400)")
    p.add_argument("--speed", type=float, help="times real time; 0 = as fast as it is read (--out: always so)")
    p.add_argument("--duration", metavar="S", type=float, help="head time after which it ends")
    p.add_argument("--seed", type=int, help="in place of the scenario's")
    p.add_argument("--rate", metavar="HZ", type=float, help="samples a second")
    p.add_argument("--samples", metavar="N", type=int, help="samples in a frame, 1-256")
    p.add_argument("--burst", metavar="S", type=float, help="samples for so long, once in --every")
    p.add_argument("--every", metavar="S", type=float, help="pause from burst to burst")
    truth = "write the true figures as CSV, or with faults and work as .json; needs an end"
    p.add_argument("--truth", metavar="FILE", type=Path, help=truth)
    p.add_argument(
        "--truth-every", metavar="S", type=float, default=10.0, help="a row for so many seconds (default: 10)"
    )
    p.add_argument("--list", action="store_true", help="print the built-in scenarios' names")
    p.add_argument("--check", action="store_true", help="only check the scenario")
    return p


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not port.isdigit() or int(port) > 65_535:
        raise argparse.ArgumentTypeError(f"{text!r} is not HOST:PORT with a port of 0-65535")
    return host.strip("[]") or "127.0.0.1", int(port)


def _scenario(args: argparse.Namespace) -> Scenario:
    given: dict[str, dict[str, Any]] = {
        "run": {"seed": args.seed, "duration_s": args.duration, "speed": args.speed},
        "head": {"rate_hz": args.rate, "samples": args.samples, "burst_s": args.burst, "every_s": args.every},
    }
    data = load_scenario(args.scenario).model_dump()
    for table, keys in given.items():
        data[table] |= {key: value for key, value in keys.items() if value is not None}
    return checked(data, "command line")


def _usable(parser: argparse.ArgumentParser, args: argparse.Namespace, scenario: Scenario) -> None:
    if not (args.pty or args.serial or args.tcp or args.out):
        parser.error("say where the bytes go: --pty, --serial PORT, --tcp HOST:PORT or --out FILE")
    if args.firmware and not args.emulated:
        parser.error("--firmware goes with --emulated")
    if args.emulated and args.speed not in (None, 1.0):
        parser.error("--emulated runs in real time: leave --speed out")
    if args.link and not args.pty:
        parser.error("--link goes with --pty")
    if args.truth_every <= 0:
        parser.error("--truth-every must be above 0")
    if scenario.run.duration_s is None and (args.out or args.truth):
        parser.error("--out and --truth need an end: give --duration, or run.duration_s in the scenario")


def _run(args: argparse.Namespace, scenario: Scenario) -> int:
    if args.truth:
        _write_truth(args.truth, scenario, args.truth_every)
    stop = Stop()
    with _signals(stop):
        outlet, where = _outlet(args, stop)
        speed = 0.0 if args.out else scenario.run.speed
        try:
            chip = emulated.chip(args.firmware) if args.emulated else None
            if where:
                sys.stdout.write(f"{where}\n")
                sys.stdout.flush()
            if chip is None:
                sent = play(Head(scenario).frames(), outlet, speed, stop)
            else:
                sent = _emulate(chip, scenario, outlet, stop, paced=not args.out)
        finally:
            outlet.close()
    sys.stderr.write(f"camdrift-head: {sent} bytes sent, {outlet.dropped} of them dropped for want of a reader\n")
    return DONE


def _emulate(chip: emulated.Chip, scenario: Scenario, outlet: Outlet, stop: Stop, *, paced: bool) -> int:
    played = emulated.play(scenario, chip, outlet, stop, paced=paced)
    if played.figures:
        f = played.figures
        sys.stderr.write(f"camdrift-head: {f['seconds']:g} s of the chip in {f['wall_s']:.1f} s; load of its core "
                         f"{f['load']:.0%}, worst latch {f['latch_late_us']:.2f} µs late\n")  # fmt: skip
    return played.sent


def _outlet(args: argparse.Namespace, stop: Stop) -> tuple[Outlet, str]:
    if args.pty:
        pty = PtyOutlet(stop, args.link)
        return pty, pty.path
    if args.tcp:
        tcp = TcpOutlet(args.tcp[0], args.tcp[1], stop)
        return tcp, "socket://{}:{}".format(*tcp.address)
    if args.serial:
        return SerialOutlet(args.serial, args.baud, stop), ""
    return FileOutlet(args.out), ""


def _csv(scenario: Scenario, duration_s: float, every_s: float) -> Iterator[str]:
    return truth_file.csv(Truth(scenario), duration_s, every_s)


def _write_truth(path: Path, scenario: Scenario, every_s: float) -> None:
    assert scenario.run.duration_s is not None
    try:
        with path.open("w", encoding="ascii") as file:
            whole = path.suffix == ".json"
            lines = truth_file.document if whole else _csv
            file.writelines(lines(scenario, scenario.run.duration_s, every_s))
    except OSError as e:
        raise OutletError(f"{path}: cannot be written: {e.strerror}") from None


@contextlib.contextmanager
def _signals(stop: Stop) -> Iterator[None]:
    before = {number: signal.signal(number, stop.tell) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


if __name__ == "__main__":
    sys.exit(main())
