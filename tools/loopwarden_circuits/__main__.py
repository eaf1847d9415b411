"""Draws every picture into hardware_notes/circuits: `python -m loopwarden_circuits`."""

from loopwarden_circuits.pictures import FOLDER, PICTURES, draw

if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name in PICTURES:
        (FOLDER / f"{name}.svg").write_text(draw(name), encoding="utf-8", newline="\n")
