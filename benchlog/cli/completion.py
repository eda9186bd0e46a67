"""Print a completion script for a shell, made from the commands' own parsers.

Examples:
  benchlog completion bash > ~/.local/share/bash-completion/completions/benchlog
  benchlog completion zsh > ~/.zfunc/_benchlog          with ~/.zfunc in $fpath
  benchlog completion fish > ~/.config/fish/completions/benchlog.fish

Print it again after an upgrade.
"""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.cli.parsers import Page, Word


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    parser.add_argument("shell", metavar="SHELL", choices=("bash", "zsh", "fish"), help="bash, zsh or fish")


def run(args: argparse.Namespace, ctx: Context) -> int:
    """Run the command."""
    import sys

    from benchlog.cli import COMMANDS
    from benchlog.cli.parsers import command_pages

    pages = [page for command in COMMANDS for page in command_pages(command)]
    script = {"bash": _bash, "zsh": _zsh, "fish": _fish}[args.shell](pages)
    if ctx.json:
        ctx.print_json({"schema": "benchlog.completion/1", "shell": args.shell, "script": script})
    else:
        sys.stdout.write(script)
    return 0


def _roots(pages: Sequence[Page]) -> list[Page]:
    return [page for page in pages if len(page.name) == 1]


# ---- bash ----


def _bash(pages: Sequence[Page]) -> str:
    known = "|".join(shlex.quote(" ".join(page.name)) for page in pages)
    branches = "\n".join(_bash_branch(page) for page in pages)
    roots = " ".join(page.name[0] for page in _roots(pages))
    return f"""\
# Completion of benchlog for bash; printed by `benchlog completion bash`.
_benchlog() {{
    local cur=${{COMP_WORDS[COMP_CWORD]}} prev=${{COMP_WORDS[COMP_CWORD-1]}} path="" next word i
    COMPREPLY=()
    for ((i = 1; i < COMP_CWORD; i++)); do
        word=${{COMP_WORDS[i]}}
        next="${{path:+$path }}$word"
        case "$next" in
            {known}) path=$next ;;
        esac
    done
    case "$path" in
        "") mapfile -t COMPREPLY < <(compgen -W {shlex.quote(f"{roots} --help --version")} -- "$cur") ;;
{branches}
    esac
}}
complete -o filenames -F _benchlog benchlog
"""


def _bash_branch(page: Page) -> str:
    lines = [f"        {shlex.quote(' '.join(page.name))})", '            case "$prev" in']
    for kind, act in (("file", "compgen -f"), ("folder", "compgen -d")):
        names = [n for w in page.options if w.takes == kind and not w.choices for n in w.names]
        if names:
            lines.append(
                f'                {"|".join(names)}) mapfile -t COMPREPLY < <({act} -- "$cur"); return ;;'
            )
    for word in page.options:
        if word.choices:
            values = shlex.quote(" ".join(word.choices))
            lines.append(
                f'                {"|".join(word.names)}) mapfile -t COMPREPLY < <(compgen -W {values} -- "$cur"); return ;;'
            )
    texts = [n for w in page.options if w.takes == "text" and not w.choices for n in w.names]
    if texts:
        lines.append(f"                {'|'.join(texts)}) return ;;")
    lines.append("            esac")
    options = shlex.quote(" ".join(n for w in page.options for n in w.names))
    own = [*page.commands, *(c for w in page.positionals for c in w.choices)]
    kinds = {w.takes for w in page.positionals if not w.choices}
    act = f"compgen -W {shlex.quote(' '.join(own))}" if own else f"compgen -W {options}"
    if "file" in kinds or "folder" in kinds:
        act = "compgen -f" if "file" in kinds else "compgen -d"
    lines += [
        "            if [[ $cur == -* ]]; then",
        f'                mapfile -t COMPREPLY < <(compgen -W {options} -- "$cur")',
        "            else",
        f'                mapfile -t COMPREPLY < <({act} -- "$cur")',
        "            fi",
    ]
    return "\n".join([*lines, "            ;;"])


# ---- zsh ----


def _zsh(pages: Sequence[Page]) -> str:
    listing = "\n".join(f"        {shlex.quote(f'{p.name[0]}:{_plain(p.summary)}')}" for p in _roots(pages))
    branches = "\n".join(_zsh_branch(page, pages) for page in _roots(pages))
    return f"""\
#compdef benchlog
# Completion of benchlog for zsh; printed by `benchlog completion zsh`.
_benchlog() {{
    local -a commands
    commands=(
{listing}
    )
    if (( CURRENT == 2 )); then
        _describe command commands
        return
    fi
    local command=$words[2]
    shift words
    (( CURRENT-- ))
    case $command in
{branches}
    esac
}}
_benchlog "$@"
"""


def _zsh_branch(page: Page, pages: Sequence[Page]) -> str:
    head = f"        {page.name[0]})"
    if not page.commands:
        return "\n".join([head, _zsh_arguments(page, 12), "            ;;"])
    own = {p.name[1]: p for p in pages if len(p.name) == 2 and p.name[0] == page.name[0]}
    listing = " ".join(shlex.quote(f"{name}:{_plain(p.summary)}") for name, p in own.items())
    inner = [
        head,
        "            if (( CURRENT == 2 )); then",
        f"                local -a actions=({listing})",
        "                _describe action actions",
        "                return",
        "            fi",
        "            local action=$words[2]",
        "            shift words",
        "            (( CURRENT-- ))",
        "            case $action in",
    ]
    for name, sub in own.items():
        inner += [f"                {name})", _zsh_arguments(sub, 20), "                    ;;"]
    return "\n".join([*inner, "            esac", "            ;;"])


def _zsh_arguments(page: Page, indent: int) -> str:
    pad = " " * indent
    specs = []
    for word in page.options:
        for name in word.names:
            star = "*" if word.many else ""
            value = f":{_plain(word.value)}:{_zsh_action(word)}" if word.takes else ""
            specs.append(shlex.quote(f"{star}{name}[{_plain(word.help)}]{value}"))
    for number, word in enumerate(page.positionals, 1):
        position = "*" if word.many else str(number)
        specs.append(shlex.quote(f"{position}:{_plain(word.value)}:{_zsh_action(word)}"))
    return pad + f" \\\n{pad}    ".join(["_arguments", *specs])


def _zsh_action(word: Word) -> str:
    if word.choices:
        return f"({' '.join(word.choices)})"
    return {"file": "_files", "folder": "_files -/"}.get(word.takes, " ")


def _plain(text: str) -> str:
    """Text without what zsh reads as its own signs."""
    return text.replace("\\", "").replace("[", "(").replace("]", ")").replace(":", " -").replace("'", "’")


# ---- fish ----


def _fish(pages: Sequence[Page]) -> str:
    lines = [
        "# Completion of benchlog for fish; printed by `benchlog completion fish`.",
        "complete -c benchlog -f",
    ]
    for page in _roots(pages):
        lines.append(
            f"complete -c benchlog -n __fish_use_subcommand -a {page.name[0]} -d {_fish_text(page.summary)}"
        )
    for page in pages:
        seen = "; and ".join(f"__fish_seen_subcommand_from {name}" for name in page.name)
        where = f"complete -c benchlog -n '{seen}'"
        if len(page.name) == 1 and page.commands:
            none_yet = f"{seen}; and not __fish_seen_subcommand_from {' '.join(page.commands)}"
            helps = {p.name[1]: p.summary for p in pages if len(p.name) == 2 and p.name[0] == page.name[0]}
            lines += [
                f"complete -c benchlog -n '{none_yet}' -a {name} -d {_fish_text(helps[name])}"
                for name in page.commands
            ]
        for word in page.options:
            lines.append(f"{where} {_fish_option(word)}")
        for word in page.positionals:
            if word.choices:
                lines.append(f"{where} -a '{' '.join(word.choices)}'")
            elif word.takes in ("file", "folder"):
                act = "-F" if word.takes == "file" else "-a '(__fish_complete_directories)'"
                lines.append(f"{where} {act}")
    return "\n".join(lines) + "\n"


def _fish_option(word: Word) -> str:
    names = " ".join(f"-l {n[2:]}" if n.startswith("--") else f"-s {n[1:]}" for n in word.names)
    value = ""
    if word.choices:
        value = f" -x -a '{' '.join(word.choices)}'"
    elif word.takes == "file":
        value = " -r -F"
    elif word.takes == "folder":
        value = " -x -a '(__fish_complete_directories)'"
    elif word.takes:
        value = " -x"
    return f"{names}{value} -d {_fish_text(word.help)}"


def _fish_text(text: str) -> str:
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"
