"""Manual pages (roff) from the commands' own help texts: section 1, one for the program, one for each command; and that
of `camdrift-update`, section 8."""

import argparse
import sys
import time
from collections.abc import Iterator
from itertools import takewhile
from pathlib import Path

UPDATE = Path(__file__).resolve().parents[1] / "ship/update.sh"


def manual_pages(package: str, version: str, epoch: int) -> dict[str, str]:
    """Pages by name. `epoch`: the date that they bear, seconds since 1970."""
    from gateway.cli.main import COMMANDS, parser

    whole = parser()
    commands = _commands(whole)
    when = time.strftime("%Y-%m-%d", time.gmtime(epoch))
    if package == "camdrift-shore":
        shore = commands["shore"]
        return {"camdrift-shore": _page("camdrift-shore", shore, COMMANDS["shore"], version, when, "camdrift-shore")}
    made = {"camdrift": _page("camdrift", whole, whole.description or "", version, when, "camdrift")}
    for name, one in commands.items():
        if name != "shore":
            title = f"camdrift-{name}"
            made[title] = _page(title, one, COMMANDS[name], version, when, f"camdrift {name}")
    return made


def update_page(version: str, epoch: int) -> str:
    """Of `camdrift-update`, from the words at the head of its script: title, calls, what else is to be known."""
    lines = UPDATE.read_text(encoding="utf-8").splitlines()[1:]
    head = [line.removeprefix("#").removeprefix(" ") for line in takewhile(lambda x: x.startswith("#"), lines)]
    title, calls = head[0], [line.split(maxsplit=2) for line in head if line.startswith("  ")]
    more = " ".join(line for line in head[1:] if line and not line.startswith("  "))
    when = time.strftime("%Y-%m-%d", time.gmtime(epoch))
    made = [f'.TH CAMDRIFT\\-UPDATE 8 "{when}" "camdrift {_escaped(version)}" "System Administration"', ".SH NAME"]
    made += [f"camdrift\\-update \\- {_escaped(title[:1].lower() + title[1:].rstrip('.'))}", ".SH SYNOPSIS"]
    for n, (name, what, _) in enumerate(calls):
        made += [*([".br"] if n else []), f".B {_escaped(name)} {_escaped(what)}"]
    made += [".SH DESCRIPTION", _escaped(more), ".SH COMMANDS"]
    for _, what, text in calls:
        made += [".TP", f".B {_escaped(what)}", _escaped(text)]
    made += [".SH EXIT STATUS", "0 done; 1 nothing was changed, or what is named.", ".SH SEE ALSO"]
    return "\n".join([*made, ".BR camdrift (1),", ".BR camdrift\\-doctor (1)"]) + "\n"


def _commands(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}


def _page(title: str, p: argparse.ArgumentParser, what: str, version: str, when: str, call: str) -> str:
    lines = [f'.TH {title.upper()} 1 "{when}" "camdrift {_escaped(version)}" "User Commands"', ".SH NAME"]
    first = what.rstrip(".").split(": ")[0]
    lines += [
        f"{_escaped(title)} \\- {_escaped(first[:1].lower() + first[1:])}",
        ".SH SYNOPSIS",
        f".B {_escaped(call)}",
    ]
    lines += [_escaped(_usage(p)), ".SH DESCRIPTION", _escaped(what)]
    arguments = list(_arguments(p))
    if arguments:
        lines += [".SH OPTIONS", *arguments]
    for name, one in _commands(p).items():
        if lines.count(".SH COMMANDS") == 0:
            lines.append(".SH COMMANDS")
        lines += [".TP", f".B {_escaped(name)}", _escaped(one.description or _help(p, name))]
        lines += list(_arguments(one)) if title != "camdrift" else []
    lines += [".SH EXIT STATUS", "0 done; 1 the answer is no; 2 usage; 74 a port or a disk; 78 the configuration."]
    lines += [".SH SAFETY", _escaped(_epilog())]
    return "\n".join(lines) + "\n"


def _epilog() -> str:
    from gateway.cli.main import EPILOG

    return EPILOG


def _help(p: argparse.ArgumentParser, name: str) -> str:
    for action in p._actions:
        if isinstance(action, argparse._SubParsersAction):
            return next((c.help or "" for c in action._choices_actions if c.dest == name), "")
    return ""


def _usage(p: argparse.ArgumentParser) -> str:
    words = p.format_usage().removeprefix("usage: ").split()
    skip = len(p.prog.split())
    return " ".join(words[skip:])


def _arguments(p: argparse.ArgumentParser) -> Iterator[str]:
    for action in p._actions:
        if isinstance(action, argparse._SubParsersAction) or action.help == argparse.SUPPRESS:
            continue
        name = ", ".join(action.option_strings) or str(action.metavar or action.dest)
        value = ""
        if action.option_strings and action.nargs != 0:
            value = str(
                action.metavar or ("|".join(map(str, action.choices)) if action.choices else action.dest.upper())
            )
        text = (action.help or "as the name says") % {**vars(action), "prog": p.prog}
        yield from (".TP", f".B {_escaped(name)} {_escaped(value)}".rstrip(), _escaped(text))


def _escaped(text: str) -> str:
    text = text.replace("\\", "\\e").replace("-", "\\-").replace("\n", " ").replace("'", "\\(aq")
    return "\\&" + text if text.startswith(".") else text


if __name__ == "__main__":
    package, version, epoch, folder = sys.argv[1:]
    for name, text in manual_pages(package, version, int(epoch)).items():
        (Path(folder) / f"{name}.1").write_text(text, encoding="utf-8")
    if package == "camdrift":
        (Path(folder) / "camdrift-update.8").write_text(update_page(version, int(epoch)), encoding="utf-8")
