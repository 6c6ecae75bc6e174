"""Manual pages (roff, section 1) from the commands' own help texts: one for the program, one for each command."""

import argparse
import sys
import time
from collections.abc import Iterator
from pathlib import Path


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
