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


def write_on_canvas(viewer: ViewerModel, text: str) -> None:
    """A line of text at the top left; 0.9 moved it from the viewer to its canvas's overlays."""
    overlay = viewer.canvas.overlays.text if hasattr(viewer, "canvas") else viewer.text_overlay
    overlay.text = text
    overlay.position = "top_left"
    overlay.visible = bool(text)


def read_in_threads(viewer: ViewerModel) -> None:
    """Let this viewer cut multiscale layers in a thread, so that slides do not block the window.

    napari offers that for all layers of all viewers in its experimental settings, which are the
    user's own and stored; points that change while a cut of theirs is under way fail there (0.9).
    So here slides go to the thread and all other layers are cut in place.
    """
    slicer: Any = getattr(viewer, "_layer_slicer", None)
    if slicer is None or not hasattr(slicer, "_force_sync"):
        return
    napari_submit = slicer.submit

    def submit(*, layers: Any, dims: Any, force: bool = False) -> Any:
        chosen = list(layers)
        lazy = [layer for layer in chosen if getattr(layer, "multiscale", False)]
        others = [layer for layer in chosen if layer not in lazy]
        before = slicer._force_sync
        try:
            if others:
                slicer._force_sync = True
                napari_submit(layers=others, dims=dims, force=force)
            if not lazy:
                return None
            slicer._force_sync = False
            return napari_submit(layers=lazy, dims=dims, force=force)
        finally:
            slicer._force_sync = before

    slicer.submit = submit


def canvas_of(window_or_widget: Any) -> Any:
    """The native Qt widget that a viewer is drawn on, of a window or of a `QtViewer`."""
    widget = getattr(window_or_widget, "_qt_viewer", window_or_widget)
    return widget.canvas.native
