"""Colours, dashes and marker shapes, so that each line is known by more than its colour.

Source: M. Okabe and K. Ito, Color Universal Design, 2008: a palette that people with any colour vision tell apart.
"""

from typing import NamedTuple

BLACK = "#000000"
ORANGE = "#E69F00"
SKY_BLUE = "#56B4E9"
GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"
GREY = "#666666"

PALETTE = (BLACK, ORANGE, SKY_BLUE, GREEN, YELLOW, BLUE, VERMILLION, PURPLE)


class Style(NamedTuple):
    """How one line looks."""

    colour: str
    dash: str
    shape: str


LINES = (
    Style(BLUE, "solid", "circle"),
    Style(VERMILLION, "dash", "square"),
    Style(GREEN, "dashdot", "diamond"),
    Style(BLACK, "dot", "x"),
    Style(PURPLE, "longdash", "triangle-up"),
    Style(ORANGE, "longdashdot", "cross"),
    Style(SKY_BLUE, "6px,2px", "star"),
    Style(GREY, "2px,6px", "pentagon"),
    Style(BLUE, "dot", "hexagram"),
    Style(VERMILLION, "solid", "triangle-down"),
)
EXPECTED = Style(GREY, "dash", "line-ew")
WARNING, LIMIT = Style(ORANGE, "dash", ""), Style(VERMILLION, "solid", "")
QUIET = Style(GREY, "dot", "")
CODE = Style(VERMILLION, "", "triangle-down")


class Fill(NamedTuple):
    """How one strip looks: colour, and a pattern that is seen without it."""

    colour: str
    pattern: str


PHASES = (
    Fill("#BBBBBB", ""),  # off
    Fill(SKY_BLUE, "/"),  # checking
    Fill(ORANGE, "\\"),  # precharging
    Fill(GREEN, ""),  # live
    Fill(YELLOW, "x"),  # winding down
    Fill(VERMILLION, "-"),  # opening
    Fill(PURPLE, "|"),  # discharging
    Fill(BLACK, ""),  # locked out
    Fill("#FFFFFF", "."),  # unpowered
    Fill("#FFFFFF", ""),  # not known
)
