"""Small widgets that several pages use."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import Qt, Signal
from qtpy.QtGui import QImage, QPixmap
from qtpy.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

if TYPE_CHECKING:
    import numpy as np


def button(text: str, act: Callable[[], Any], tip: str) -> QPushButton:
    """A push button with a tooltip in the user's words."""
    made = QPushButton(text)
    made.setToolTip(tip)
    made.clicked.connect(lambda checked=False: act())
    return made


def toggle(text: str, act: Callable[[bool], Any], tip: str) -> QPushButton:
    """A button that stays down while something is on."""
    made = QPushButton(text)
    made.setCheckable(True)
    made.setToolTip(tip)
    made.toggled.connect(act)
    return made


def row(*widgets: QWidget, stretch: bool = False) -> QWidget:
    """Widgets side by side."""
    box = QWidget()
    layout = QHBoxLayout(box)
    layout.setContentsMargins(0, 0, 0, 0)
    for widget in widgets:
        layout.addWidget(widget)
    if stretch:
        layout.addStretch(1)
    return box


def note(text: str = "") -> QLabel:
    """A text that wraps."""
    label = QLabel(text)
    label.setWordWrap(True)
    label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    return label


def column(*widgets: QWidget, into: QWidget | None = None) -> QWidget:
    """Widgets one below the other, aligned to the top; in a new widget where none is given."""
    box = QWidget() if into is None else into
    layout = QVBoxLayout(box)
    layout.setContentsMargins(6, 6, 6, 6)
    for widget in widgets:
        layout.addWidget(widget)
    layout.addStretch(1)
    return box


class Fold(QWidget):
    """A part of a page that is folded away until it is wanted."""

    def __init__(self, title: str, inside: QWidget) -> None:
        super().__init__()
        self.head = QToolButton()
        self.head.setText(title)
        self.head.setCheckable(True)
        self.head.setArrowType(Qt.ArrowType.RightArrow)
        self.head.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.head.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.head.toggled.connect(self._fold)
        self.inside = inside
        inside.setVisible(False)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.head)
        layout.addWidget(inside)

    def _fold(self, shown: bool) -> None:
        self.inside.setVisible(shown)
        self.head.setArrowType(Qt.ArrowType.DownArrow if shown else Qt.ArrowType.RightArrow)


class Picture(QFrame):
    """An image that fills the width it is given; clicks are told in pixels of the image."""

    clicked = Signal(float, float, bool)  # x, y, whether it was a double click

    def __init__(self, empty: str) -> None:
        super().__init__()
        self._pixmap: QPixmap | None = None
        self._label = QLabel(empty)
        self._label.setWordWrap(True)
        self._label.setStyleSheet("padding: 0px; margin: 0px; border: none;")
        self._label.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignHCenter)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self._label)
        policy = QSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        policy.setHeightForWidth(True)
        self.setSizePolicy(policy)

    def show_array(self, rgba: np.ndarray) -> None:
        """Show uint8 (rows, columns, 4)."""
        rows, columns = rgba.shape[:2]
        image = QImage(rgba.tobytes(), columns, rows, 4 * columns, QImage.Format.Format_RGBA8888)
        self.show_pixmap(QPixmap.fromImage(image.copy()))

    def show_pixmap(self, pixmap: QPixmap) -> None:
        """Show a pixmap."""
        self._pixmap = pixmap
        self._fit()
        self.updateGeometry()

    def say(self, text: str) -> None:
        """Show a text instead."""
        self._pixmap = None
        self._label.setText(text)
        self.setMinimumHeight(0)

    def _fit(self) -> None:
        if self._pixmap is None or not self.width():
            return
        ratio = self.devicePixelRatioF()
        scaled = self._pixmap.scaledToWidth(
            max(1, round(self.width() * ratio)), Qt.TransformationMode.SmoothTransformation
        )
        scaled.setDevicePixelRatio(ratio)
        self._label.setPixmap(scaled)
        self.setMinimumHeight(round(scaled.height() / ratio))

    def resizeEvent(self, event: Any) -> None:
        """Keep the image as wide as the page."""
        super().resizeEvent(event)
        self._fit()

    def _tell(self, event: Any, double: bool) -> None:
        if self._pixmap is not None and self.width():
            scale = self._pixmap.width() / self.width()
            place = event.position()
            self.clicked.emit(place.x() * scale, place.y() * scale, double)

    def mousePressEvent(self, event: Any) -> None:
        """Tell where the image was clicked."""
        self._tell(event, double=False)

    def mouseDoubleClickEvent(self, event: Any) -> None:
        """Tell where the image was double-clicked."""
        self._tell(event, double=True)
