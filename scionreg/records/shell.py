"""Commands as they are printed: whoever copies one into a shell runs that and nothing else."""

import os
import re
import shlex

SAFE = re.compile(r"[\w+=:./\\-]+", re.ASCII)
"""What neither the command prompt nor PowerShell takes for more than itself."""
OPEN = re.compile('["$`%\u201c-\u201e]')
"""What one of the two acts on even between double quotes."""


def quoted(*words: str) -> str:
    """Return words as one line for the shell of this machine: POSIX, or either of Windows'.

    On Windows a word that no quotes keep safe in both is left out and called ... instead.
    """
    each = _windows if os.name == "nt" else shlex.quote
    return " ".join(each(word) for word in words)


def command_line(*words: str) -> str:
    """Return a command of scionreg as it is typed."""
    return quoted("scionreg", *words)


def _windows(word: str) -> str:
    if SAFE.fullmatch(word):
        return word
    return "..." if OPEN.search(word) or word.endswith("\\") else f'"{word}"'
