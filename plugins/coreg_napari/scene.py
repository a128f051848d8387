"""Putting layers into a viewer and finding them again, by their role."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from typing import TYPE_CHECKING, Any

from coreg_napari.layers import LayerData, in_mm, tag

if TYPE_CHECKING:
    from napari.components import ViewerModel
    from napari.layers import Layer

# What lies on top of what, from below; roles that are not named lie beneath the landmarks.
ORDER = (
    "section",
    "bmode",
    "amplitude",
    "change",
    "error",
    "section on plane",
    "overlap",
    "strokes",
    "proposal",
    "pathology",
    "drawn",
    "predicted",
    "outlines",
    "edge",
    "pointer",
    "landmarks",
)


def find(viewer: ViewerModel, role: str) -> Layer | None:
    """Our layer of a role; None where there is none."""
    return next((layer for layer in viewer.layers if tag(layer).get("role") == role), None)


def put(viewer: ViewerModel, made: LayerData) -> Layer:
    """Show a layer at its place in the order, or its data in ours of the same role and name.

    Existing layers are filled anew, not replaced: napari takes most of a second to remove one.
    """
    from napari.layers import Layer

    data, keywords, kind = made
    role = keywords["metadata"]["coreg"]["role"]
    old = next(
        (
            layer
            for layer in viewer.layers
            if tag(layer).get("role") == role and layer.name == keywords["name"]
        ),
        None,
    )
    if old is not None:
        if type(old).__name__.lower() == kind and not keywords.get("multiscale"):
            _fill(old, made)
            return old
        keywords = {**keywords, "visible": old.visible, "opacity": old.opacity}
        viewer.layers.remove(old)
    active = viewer.layers.selection.active
    layer = Layer.create(data, keywords, kind)
    viewer.layers.insert(_place(viewer, role), layer)
    if active is not None and active in viewer.layers:
        viewer.layers.selection.active = active
    return layer


def _fill(layer: Any, made: LayerData) -> None:
    data, keywords, kind = made
    if kind == "shapes":
        replace_contours(layer, made)
        return
    layer.data = data
    for key in ("scale", "translate", "contrast_limits", "features"):
        if key in keywords:
            setattr(layer, key, keywords[key])


def _place(viewer: ViewerModel, role: str) -> int:
    rank = _rank(role)
    for index, layer in enumerate(viewer.layers):
        if tag(layer) and _rank(tag(layer)["role"]) > rank:
            return index
    return len(viewer.layers)


def _rank(role: str) -> int:
    return ORDER.index(role) if role in ORDER else ORDER.index("outlines")


def take_out(
    viewer: ViewerModel, roles: Iterable[str] | None = None, but: Iterable[str] = ()
) -> None:
    """Remove our layers, all or those of some roles, except some names; the user's own stay."""
    chosen, kept = None if roles is None else set(roles), set(but)
    for layer in list(viewer.layers):
        role = tag(layer).get("role")
        if role is not None and (chosen is None or role in chosen) and layer.name not in kept:
            viewer.layers.remove(layer)


def replace_contours(layer: Layer, made: LayerData) -> None:
    """Put other contours into a layer of `contour_layer`: much quicker than another layer."""
    data, keywords, _ = made
    with layer.events.data.blocker():
        layer.selected_data = set(range(len(layer.data)))
        layer.remove_selected()
        if len(data):
            layer.add(
                data,
                shape_type=keywords["shape_type"],
                edge_width=keywords["edge_width"],
                edge_color=keywords["edge_color"],
                face_color=keywords["face_color"],
            )
            layer.features = keywords["features"]
        layer.selected_data = set()


def show_only(viewer: ViewerModel, roles: Iterable[str]) -> list[Callable[[], None]]:
    """What makes our layers of these roles visible and our others invisible, a layer an act."""
    chosen = set(roles)
    return [
        partial(_turn, layer, tag(layer)["role"] in chosen)
        for layer in viewer.layers
        if tag(layer).get("role") is not None and layer.visible != (tag(layer)["role"] in chosen)
    ]


def _turn(layer: Layer, visible: bool) -> None:
    if layer.visible != visible:
        layer.visible = visible


def on_foreign_layer(viewer: ViewerModel, tell: Callable[[Layer], None]) -> None:
    """Call `tell` for each inserted layer that is not in mm: it would switch units off for all."""

    def inserted(event: Any) -> None:
        if not in_mm(event.value):
            tell(event.value)

    viewer.layers.events.inserted.connect(inserted)


def mend_units(layer: Layer) -> None:
    """State that a layer's coordinates are mm."""
    layer.units = (*layer.units[:-2], "mm", "mm")
