"""The one place that knows how napari's names differ between 0.7 and 0.9, and its private parts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from napari.components import ViewerModel


def camera(viewer: ViewerModel) -> Any:
    """The camera of a viewer; 0.9 moved it from the viewer to its scene."""
    return viewer.scene.camera if hasattr(viewer, "scene") else viewer.camera


def show_scale_bar(viewer: ViewerModel) -> None:
    """Show a scale bar in mm; 0.9 moved it from the viewer to its canvas's overlays."""
    if hasattr(viewer, "canvas"):
        bar = viewer.canvas.overlays.scale_bar
    else:
        bar = viewer.scale_bar
        bar.unit = "mm"  # later versions take the layers' unit
    bar.visible = True


def show_colour_bar(layer: Any) -> None:
    """Show a layer's colour bar, where this napari has one."""
    if hasattr(layer, "colorbar"):
        layer.colorbar.visible = True


def read_in_threads(viewer: ViewerModel) -> None:
    """Let this viewer cut layers in a thread, so that reading a slide does not block the window.

    napari offers that for all viewers at once in its experimental settings, which are the user's
    own and stored; for one viewer there is only this attribute (0.5 to 0.9).
    """
    slicer = getattr(viewer, "_layer_slicer", None)
    if slicer is not None and hasattr(slicer, "_force_sync"):
        slicer._force_sync = False


def canvas_of(window_or_widget: Any) -> Any:
    """The native Qt widget that a viewer is drawn on, of a window or of a `QtViewer`."""
    widget = getattr(window_or_widget, "_qt_viewer", window_or_widget)
    return widget.canvas.native
