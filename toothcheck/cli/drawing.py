"""A wheel's outlines as a drawing in mm: DXF with true arcs, and SVG at real size made from the same drawing."""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import ezdxf
from ezdxf import units
from ezdxf.addons.drawing import Frontend, RenderContext, layout, svg
from ezdxf.addons.drawing.config import BackgroundPolicy, Configuration

from toothcheck.marks import MADE_BY
from toothcheck.toothform.sheet import STANDARDS, Form, FormSheet

if TYPE_CHECKING:
    from ezdxf.document import Drawing

MARGIN_MM = 10.0
BAR_MM = 50.0
"""Length of the line under the wheel that shows whether a print or an import kept its size."""

_BELOW_MM = 14.0
_LETTERS_MM = 3.2
"""Size of the SVG's words: 9 points."""


def _layer(sheet: FormSheet, index: int) -> str:
    """``OUTLINE`` for the form drawn first, ``OUTLINE_MINIMUM`` and the like for the others."""
    return "OUTLINE" if index == sheet.drawn else f"OUTLINE_{sheet.names[index].upper()}"


def _add_outline(drawing: Drawing, form: Form, layer: str) -> None:
    # a bulge is how a DXF polyline says "arc": the tangent of a quarter of its sweep
    corners = [(x, y, math.tan(sweep / 4)) for x, y, sweep in form.arcs()]
    drawing.modelspace().add_lwpolyline(corners, format="xyb", close=True, dxfattribs={"layer": layer})


def wheel_drawing(sheet: FormSheet) -> Drawing:
    """Draw the outlines and circles of a sheet, centre at the origin, a gap upwards.

    Layers: one for each outline, ``CIRCLES`` (pitch circle, centre marks), ``NOTES`` (title, a line of 50 mm).
    """
    drawing = ezdxf.new("R2010", setup=["linetypes"], units=units.MM)
    drawing.header["$LTSCALE"] = 4.0  # the stock line types are drawn for inches on paper
    drawing.header.custom_vars.append("Creator", MADE_BY)
    for i in range(len(sheet.forms)):
        first = i == sheet.drawn
        drawing.layers.add(_layer(sheet, i), color=7 if first else 5, lineweight=25 if first else 13)
    drawing.layers.add("CIRCLES", color=8, linetype="CENTER", lineweight=13)
    drawing.layers.add("NOTES", color=8, lineweight=18)
    space = drawing.modelspace()
    for i, form in enumerate(sheet.forms):
        _add_outline(drawing, form, _layer(sheet, i))
    main = sheet.forms[sheet.drawn]
    space.add_circle((0, 0), main.pitch_radius_mm, dxfattribs={"layer": "CIRCLES"})
    arm = 0.12 * main.pitch_radius_mm
    for x, y in ((arm, 0.0), (0.0, arm)):
        space.add_line((-x, -y), (x, y), dxfattribs={"layer": "CIRCLES", "linetype": "CONTINUOUS"})
    notes = {"layer": "NOTES"}
    reach = max(f.tip_radius_mm for f in sheet.forms)
    y = -reach - _BELOW_MM
    space.add_line((-BAR_MM / 2, y), (BAR_MM / 2, y), dxfattribs=notes)
    for x in (-BAR_MM / 2, BAR_MM / 2):
        space.add_line((x, y - 1.5), (x, y + 1.5), dxfattribs=notes)
    for line, text in enumerate(titles(sheet)):
        space.add_text(text, height=2.5, dxfattribs=notes).set_placement((-reach, y - 6 - 4 * line))
    return drawing


def titles(sheet: FormSheet) -> tuple[str, ...]:
    """Say in a few lines what is drawn."""
    chain = sheet.chain
    others = [n for i, n in enumerate(sheet.names) if i != sheet.drawn]
    gap_form = f", gap form: {sheet.names[sheet.drawn]}" if others else ""
    also = f"; thin: {' and '.join(others)}" if others else ""
    return (
        f"{STANDARDS[sheet.standard]}, chain {chain.name}, {sheet.teeth} teeth{gap_form}{also}",
        f"Pitch {chain.pitch_mm:g}, roller {chain.roller_diameter_mm:g} mm; units mm; the line above is "
        f"{BAR_MM:g} mm long",
        "New form. Root depth and tip circle differ from maker to maker",
    )


def dxf_bytes(drawing: Drawing) -> bytes:
    """Encode as a DXF file."""
    stream = io.StringIO()
    drawing.write(stream)
    return stream.getvalue().encode(drawing.encoding)


def svg_bytes(drawing: Drawing, sheet: FormSheet) -> bytes:
    """Encode as an SVG file whose width and height are real millimetres.

    Texts go in as text, not as drawn letters, so that no font of this machine is needed and a screen reader can read
    them.
    """
    backend = svg.SVGBackend()
    config = Configuration(background_policy=BackgroundPolicy.WHITE, max_flattening_distance=0.001)
    Frontend(RenderContext(drawing), backend, config=config).draw_layout(
        drawing.modelspace(), filter_func=lambda entity: entity.dxftype() != "TEXT"
    )
    text = titles(sheet)
    reach = max(f.tip_radius_mm for f in sheet.forms)
    half_width = max(reach, 60.0) + MARGIN_MM  # the texts are some 100 mm wide
    top, bottom = reach + MARGIN_MM, reach + _BELOW_MM + 6 + 4 * len(text) + MARGIN_MM
    box = ezdxf.math.BoundingBox2d([(-half_width, -bottom), (half_width, top)])
    page = layout.Page(2 * half_width, top + bottom, layout.Units.mm)
    settings = layout.Settings(fit_page=False, scale=1, page_alignment=layout.PageAlignment.TOP_LEFT)
    root = backend.get_xml_root_element(page, settings=settings, render_box=box)
    per_mm = float(root.attrib["viewBox"].split()[2]) / page.width
    title = ElementTree.Element("title")
    title.text = text[0]
    root.insert(0, title)
    ElementTree.SubElement(root, "metadata").text = MADE_BY
    root.set("role", "img")
    # in mm: browsers draw no letter larger than 10 000 units, and in those of the outlines 3 mm are more
    group = ElementTree.SubElement(root, "g", {"transform": f"scale({per_mm:.6g})"})
    for line, words in enumerate(text):
        x, y = half_width - max(reach, 60.0), top + reach + _BELOW_MM + 6 + 4 * line
        attributes = {
            "x": f"{x:.2f}", "y": f"{y:.2f}", "font-size": f"{_LETTERS_MM:g}", "font-family": "sans-serif",
            "fill": "#444444",
        }  # fmt: skip
        ElementTree.SubElement(group, "text", attributes).text = words
    data: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return data
