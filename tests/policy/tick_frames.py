"""Which functions belong to a tick, and how large a frame each of them takes."""

import ast
from pathlib import Path

from micropython_runs.frames import LIMIT_WORDS, frame_words

# What a docstring must say for its function to be excused: it is not part of a tick.
EXCUSES = ("start-up only", "allocates", "outside the tick")


def excused(text):
    """Qualified names of functions that run at start-up or outside the tick, by their own docstring."""
    names = set()

    def walk(node, prefix, under):
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.FunctionDef | ast.ClassDef):
                name = prefix + child.name
                doc = (ast.get_docstring(child) or "").lower()
                free = under
                if isinstance(child, ast.FunctionDef):
                    free = under or child.name == "__init__" or any(excuse in doc for excuse in EXCUSES)
                    if free:
                        names.add(name)
                walk(child, name + ".", free)
            else:
                walk(child, prefix, under)

    walk(ast.parse(text), "", False)
    return names


def tick_frames(source):
    """Functions of the tick, with their words."""
    free = excused(source.read_text(encoding="utf-8"))
    found = {}
    for name, words in frame_words(source).items():
        owner = name.partition(".<")[0]
        if name not in free and owner not in free:
            found[name] = words
    return found


def too_large(source):
    """Functions of the tick over the limit, with their words."""
    return {name: words for name, words in tick_frames(source).items() if words > LIMIT_WORDS}


def largest(folder: Path):
    """Words of the largest frame of the tick in a folder's sources, and whose it is."""
    frames = [(words, name) for source in folder.rglob("*.py") for name, words in tick_frames(source).items()]
    return max(frames)
