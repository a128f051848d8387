"""Outlines of one observer as an editable layer on the section: no Qt, one edit one saved state."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.geometry import Outline
from coreg_napari import scene
from coreg_napari.colours import zone_colour
from coreg_napari.layers import contour_layer, layer_outlines, outline_layer

if TYPE_CHECKING:
    from coreg.zones.edit import Size
    from coreg_napari.desk import Desk

TOOLS = {
    "look": "pan_zoom",
    "polygon": "add_polygon",
    "freehand": "add_polygon_lasso",
    "edge": "pan_zoom",  # `EdgeTool` has the mouse
    "points": "direct",
    "move": "select",
    "add point": "vertex_insert",
    "remove point": "vertex_remove",
}
WORDS = {"added": "draw", "removed": "remove", "changed": "change"}


class Drawing:
    """The Shapes layer that the present observer draws on.

    Every finished change of the layer becomes one edit at the desk, which saves it.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.zone = "ablated"
        self.hole = False
        self.others = True
        desk.opened.connect(self.show)
        desk.outlines_changed.connect(lambda observer: self.show())

    @property
    def layer(self) -> Any:
        """The layer; None where no case is open."""
        return scene.find(self.desk.section, "outlines")

    # --- showing -----------------------------------------------------

    def show(self) -> None:
        """Draw the outlines as the desk has them: own ones to edit, others' to look at."""
        if self.desk.store is None:
            return
        observer = self.desk.observer
        width = self.line_width()
        made = outline_layer(
            self.desk.outlines.get(observer, []), "slide", "outlines", "outlines", width
        )
        before = self.layer
        layer = scene.put(self.desk.section, made)
        if layer is not before:
            layer.events.data.connect(self._edited)
        self._show_others(observer, width)
        self._defaults()

    def _show_others(self, observer: str, width: float) -> None:
        drawn = [o for name, own in self.desk.outlines.items() if name != observer for o in own]
        made = contour_layer(drawn, "slide", "others' outlines", "drawn", width / 2)
        if drawn or scene.find(self.desk.section, "drawn") is not None:
            scene.put(self.desk.section, made).visible = self.others

    def line_width(self) -> float:
        """A width in mm that is seen when the whole section is."""
        section = scene.find(self.desk.section, "section")
        if section is None:
            return 0.1
        low, high = np.asarray(section.extent.world)
        return float(np.max(high - low)) / 300

    # --- tools -----------------------------------------------------

    def use(self, tool: str) -> None:
        """Take a tool of `TOOLS`."""
        layer = self.layer
        if layer is None:
            return
        self.desk.section.layers.selection.active = layer
        self._defaults()
        layer.mode = TOOLS[tool]

    def set_zone(self, zone: str) -> None:
        """What is drawn from now on; with the tool "move", selected outlines become that zone."""
        self.zone = zone
        layer = self.layer
        if layer is not None and layer.mode == TOOLS["move"] and layer.selected_data:
            chosen = sorted(layer.selected_data)
            table = layer.features.copy()
            table.loc[chosen, "zone"] = zone
            layer.features = table
            colours = layer.edge_color.copy()
            colours[chosen] = _rgba(zone)
            layer.edge_color = colours
            self._keep("change the zone of")
        self._defaults()

    def set_hole(self, hole: bool) -> None:
        """Whether what is drawn is cut out of the outline around it."""
        self.hole = hole
        self._defaults()

    def add(self, outline: Outline) -> None:
        """Put one more outline down, or cut its ring out of the outline around it."""
        layer = self.layer
        if layer is None:
            return
        self._defaults()
        layer.feature_defaults = {**self._features(), "made_by": outline.made_by}
        layer.add_polygons(
            [outline.exterior],
            edge_color=zone_colour(self.zone),
            face_color="transparent",
            edge_width=self.line_width(),
        )
        self._defaults()

    def remove_selected(self) -> None:
        """Remove the selected outlines."""
        layer = self.layer
        if layer is not None and layer.selected_data:
            layer.remove_selected()

    def _defaults(self) -> None:
        layer = self.layer
        if layer is None:
            return
        # Setting the current colour would repaint what is selected.
        with layer.block_update_properties():
            layer.current_edge_color = zone_colour(self.zone)
            layer.current_face_color = "transparent"
            layer.current_edge_width = self.line_width()
        layer.feature_defaults = self._features()

    def _features(self) -> dict[str, Any]:
        return {
            "zone": self.zone,
            "observer": self.desk.observer,
            "made_by": "by hand",
            "ring": "hole" if self.hole else "outer",
            "piece": -1,
            "extra": "",
        }

    # --- edits -----------------------------------------------------

    def _edited(self, event: Any) -> None:
        action = str(getattr(event, "action", "changed")).rsplit(".", 1)[-1].lower()
        if action not in WORDS:
            return
        self._keep(WORDS[action])

    def _keep(self, what: str) -> None:
        layer = self.layer
        outlines = layer_outlines(layer.data, layer.features, "slide")
        self.desk.set_outlines(f"{what} outline", outlines)

    def replace(self, what: str, outlines: list[Outline]) -> None:
        """Put other outlines in place of the observer's: accepted proposals, smoothed rings."""
        self.desk.set_outlines(what, outlines)
        self.show()

    def smooth(self, tolerance_mm: float) -> None:
        """Take the shake out of the outlines; no point moves by more than the tolerance."""
        from coreg.zones.edit import smooth

        own = self.desk.outlines.get(self.desk.observer, [])
        self.replace("smooth outlines", [smooth(outline, tolerance_mm) for outline in own])

    def tidy(self) -> None:
        """Bring the zones into their order: what lies inside what, and no overlap."""
        from coreg.zones.edit import arrange

        own = self.desk.outlines.get(self.desk.observer, [])
        self.replace("tidy outlines", list(arrange(own)))

    def sizes(self) -> dict[str, Size]:
        """Zone → area, perimeter and number of pieces of the observer's outlines, as cut."""
        from coreg.zones.edit import measure

        own = self.desk.outlines.get(self.desk.observer, [])
        zones = sorted({outline.zone for outline in own})
        return {zone: measure(o for o in own if o.zone == zone) for zone in zones}


def _rgba(zone: str) -> tuple[float, ...]:
    text = zone_colour(zone).lstrip("#")
    return (*(int(text[i : i + 2], 16) / 255 for i in (0, 2, 4)), 1.0)
