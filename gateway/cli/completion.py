"""Print the completion of commands and options for a shell: bash, zsh, fish or tcsh."""

import argparse
from pathlib import Path

from gateway.cli.text import out
from gateway.model.errors import Refused

SHELLS = ("bash", "zsh", "fish", "tcsh")
HOW = {
    "bash": "camdrift completion bash > ~/.local/share/bash-completion/completions/camdrift",
    "zsh": "camdrift completion zsh > DIR/_camdrift, where DIR stands in fpath",
    "fish": "camdrift completion fish > ~/.config/fish/completions/camdrift.fish",
    "tcsh": "camdrift completion tcsh > ~/.camdrift.tcsh, then source it in ~/.tcshrc",
}


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    p.add_argument("shell", choices=SHELLS, help="the shell that completes")
    p.add_argument("--shore", action="store_true", help="for camdrift-shore, the command of the package ashore")
    p.description = " ".join([p.description or "", *(f"For {shell}: {how}." for shell, how in HOW.items())])


def main(args: argparse.Namespace) -> int:
    """Print it. Raises Refused where the library of the extra `terminal` is not installed."""
    try:
        import shtab
    except ImportError:
        raise Refused("completion needs the extra `terminal`: pip install 'camdrift[terminal]'") from None
    if args.shell not in shtab.SUPPORTED_SHELLS:
        known = ", ".join(shell for shell in SHELLS if shell in shtab.SUPPORTED_SHELLS)
        raise Refused(f"the installed shtab knows {known}; for {args.shell} install a newer one")
    from gateway.cli.main import parser

    whole = parser()
    if args.shore:
        whole = _commands(whole)["shore"]
        whole.prog = "camdrift-shore"
    _name_files(whole, shtab.FILE)
    out(shtab.complete(whole, args.shell))
    return 0


def _commands(p: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    return next(dict(a.choices) for a in p._actions if isinstance(a, argparse._SubParsersAction))


def _name_files(p: argparse.ArgumentParser, file: object) -> None:
    """Arguments that are paths are completed as such, in all commands."""
    for action in p._actions:
        if isinstance(action, argparse._SubParsersAction):
            for inner in set(action.choices.values()):
                _name_files(inner, file)
        elif action.type is Path:
            action.complete = file  # type: ignore[attr-defined]
