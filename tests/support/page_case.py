"""Reading a check's page back: its drawings as trees, places in them, and what a ruler on them says."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ElementTree

import numpy as np


def svgs(page: str) -> list[ElementTree.Element]:
    """Every drawing of the page; parsing fails where one is not well-formed."""
    return [ElementTree.fromstring(found) for found in re.findall(r"<svg.*?</svg>", page, re.S)]


def shapes(svg: ElementTree.Element, kind: str) -> list[ElementTree.Element]:
    wanted = set(kind.split())
    return [item for item in svg.iter() if wanted <= set(item.get("class", "").split())]


def centre(svg: ElementTree.Element, kind: str) -> np.ndarray:
    (found,) = [item for item in shapes(svg, kind) if item.tag.endswith("circle")]
    return np.array([float(found.get("cx")), float(found.get("cy"))])


def line_ends(item: ElementTree.Element) -> np.ndarray:
    return np.array([[float(item.get(f"x{end}")), float(item.get(f"y{end}"))] for end in (1, 2)])


def points(item: ElementTree.Element) -> np.ndarray:
    return np.array([[float(number) for number in pair.split(",")] for pair in item.get("points").split()])


def mm_per_unit(svg: ElementTree.Element) -> float:
    """From the scale bar: what a reader with a ruler has."""
    start, end = line_ends(shapes(svg, "scale bar")[0])
    (text,) = [item.text for item in shapes(svg, "scale") if item.tag.endswith("text")]
    return float(text.removesuffix(" mm")) / float(np.hypot(*(end - start)))


def angle_deg(place: np.ndarray, origin: np.ndarray) -> float:
    return math.degrees(math.atan2(origin[1] - place[1], place[0] - origin[0]))
