"""Completion of the command line in bash, zsh and fish: click's own, with files of the right kind.

click asks the command which words fit (words.py of a room gives them for its options); the scripts here hand
the shell what it then offers. A word of kind "file" or "dir" leaves the search to the shell: files whose
names end as said come first, and all of them where there is none such. A word that ends in "=" gets no blank
behind it.
"""

from __future__ import annotations

import re
from typing import Any

import click
from click.shell_completion import (
    BashComplete,
    CompletionItem,
    FishComplete,
    ShellComplete,
    ZshComplete,
    add_completion_class,
)

_BASH = """\
%(complete_func)s() {
    local cur=${COMP_WORDS[COMP_CWORD]} response type value end ends found
    local IFS=$'\\n'
    response=$(env COMP_WORDS="${COMP_WORDS[*]}" COMP_CWORD=$COMP_CWORD %(complete_var)s=bash_complete \\
        "$1" 2>/dev/null)
    COMPREPLY=()
    while IFS=, read -r type value; do
        case $type in
        plain)
            COMPREPLY+=("$value")
            [[ $value == *= ]] && compopt -o nospace
            ;;
        file | dir)
            compopt -o filenames
            IFS=' ' read -ra ends <<< "$value"
            for end in "${ends[@]}"; do
                mapfile -t found < <(compgen -f -X "!*$end" -- "$cur" | sort)
                COMPREPLY+=("${found[@]}")
            done
            mapfile -t found < <(compgen -d -- "$cur" | sort)
            COMPREPLY+=("${found[@]}")
            # What is quoted, and what is not of the right kind, is left to the shell.
            if [[ ${#COMPREPLY[@]} -eq 0 || $cur == *[\\'\\"\\\\~$]* ]]; then
                COMPREPLY=()
                compopt -o default
            fi
            ;;
        esac
    done <<< "$response"
}
complete -o nosort -F %(complete_func)s %(prog_name)s
"""

_ZSH = """\
#compdef %(prog_name)s
%(complete_func)s() {
    local -a response plain open described
    local type value text
    response=("${(@f)$(env COMP_WORDS="${words[*]}" COMP_CWORD=$((CURRENT-1)) %(complete_var)s=zsh_complete \\
        ${words[1]} 2>/dev/null)}")
    for type value text in ${response}; do
        case $type in
        dir) _files -/ ;;
        file) if [[ $value == _ ]]; then _files; else _files -g "*.(#i)($value)(-.)"; fi ;;
        *)
            if [[ $value == *= ]]; then open+=("$value")
            elif [[ $text == _ ]]; then plain+=("$value")
            else described+=("${value//:/\\\\:}:$text"); fi
            ;;
        esac
    done
    (( $#described )) && _describe -V unsorted described
    (( $#plain )) && compadd -V unsorted -a plain
    (( $#open )) && compadd -S '' -V unsorted -a open
}
if [[ $zsh_eval_context[-1] == loadautofunc ]]; then
    %(complete_func)s "$@"
else
    compdef %(complete_func)s %(prog_name)s
fi
"""

_FISH = """\
function %(complete_func)s
    set -l words (commandline -opc)
    set -l response (env %(complete_var)s=fish_complete COMP_WORDS=(commandline -cp | string collect) \\
        COMP_CWORD=(commandline -t) $words[1] 2>/dev/null)
    for completion in $response
        set -l parts (string split -m 1 "," -- $completion)
        switch $parts[1]
            case dir
                __fish_complete_directories (commandline -t)
            case file
                set -l all (complete -C "no_such_command "(commandline -ct))
                set -l right (string match -ri -- '.*\\.(?:'$parts[2]')(?:\\t.*)?$' $all)
                set -a right (string match -r -- '.*/(?:\\t.*)?$' $all)
                if test -z "$parts[2]" -o (count $right) -eq 0
                    set right $all
                end
                printf '%%s\\n' $right
            case '*'
                echo -- $parts[2]
        end
    end
end
complete --no-files --keep-order --command %(prog_name)s --arguments "(%(complete_func)s)"
"""


class _Bash(BashComplete):
    source_template = _BASH

    def format_completion(self, item: CompletionItem[Any]) -> str:
        value = str(item.value)
        if item.type == "file":
            # Upper case too: loggers write it.
            ends = ("".join(f"[{c.upper()}{c}]" for c in end) for end in value.split())
            return f"file,{' '.join(f'.{end}' for end in ends)}"
        escaped = re.sub(r"([^\w@%+=:,./-])", r"\\\1", value)
        return f"{item.type},{escaped}"


class _Zsh(ZshComplete):
    source_template = _ZSH

    def format_completion(self, item: CompletionItem[Any]) -> str:
        value = str(item.value)
        if item.type == "file":
            value = value.replace(" ", "|")
        help_ = " ".join((item.help or "_").split())
        return f"{item.type}\n{value or '_'}\n{help_}"


class _Fish(FishComplete):
    source_template = _FISH

    def format_completion(self, item: CompletionItem[Any]) -> str:
        if item.type == "file":
            return f"file,{str(item.value).replace(' ', '|')}"
        return super().format_completion(item)


SHELLS: dict[str, type[ShellComplete]] = {"bash": _Bash, "zsh": _Zsh, "fish": _Fish}
VARIABLE = "_LIFTLATCH_COMPLETE"


def register() -> None:
    """Let click complete by the classes here."""
    for name, shell in SHELLS.items():
        add_completion_class(shell, name)


@click.command()
@click.argument("shell", type=click.Choice(list(SHELLS)))
def completion(shell: str) -> None:
    """Print a script that lets SHELL complete this command's words.

    \b
    bash: put into ~/.bashrc     source <(liftlatch completion bash)
    zsh:  put into ~/.zshrc      source <(liftlatch completion zsh)
    fish: once                   liftlatch completion fish > ~/.config/fish/completions/liftlatch.fish
    """
    root = click.get_current_context().find_root()
    click.echo(SHELLS[shell](root.command, {}, "liftlatch", VARIABLE).source(), nl=False)
