"""Settings of a case as a form: made from coreg's own table, so that nothing is missing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from qtpy.QtWidgets import QCheckBox, QComboBox, QFormLayout, QLabel, QLineEdit, QWidget

from coreg.errors import InputError
from coreg.schema import SCHEMA, Setting

if TYPE_CHECKING:
    from coreg_napari.desk import Desk


class SettingsForm(QWidget):
    """Some keys of a section of case.toml; each edit is written at once and can be undone."""

    def __init__(self, desk: Desk, section: str, keys: Sequence[str] | None = None) -> None:
        super().__init__()
        self.desk = desk
        self.section = section
        self.fields: dict[str, QWidget] = {}
        layout = QFormLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.ExpandingFieldsGrow)
        layout.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        for key in keys or SCHEMA[section]:
            setting = SCHEMA[section][key]
            field = self._field(key, setting)
            label = QLabel(words(key))
            about = setting.about[0].upper() + setting.about[1:] + "."
            label.setToolTip(about)
            field.setToolTip(about)
            layout.addRow(label, field)
            self.fields[key] = field
        desk.opened.connect(self.refresh)
        desk.settings_changed.connect(self.refresh)

    def _field(self, key: str, setting: Setting) -> QWidget:
        if setting.kind == "yes/no":
            box = QCheckBox()
            box.clicked.connect(lambda checked: self.desk.change(self.section, **{key: checked}))
            return box
        if setting.choices and setting.kind == "text":
            choice = QComboBox()
            choice.addItems(setting.choices)
            choice.textActivated.connect(lambda text: self.desk.change(self.section, **{key: text}))
            return choice
        line = QLineEdit()
        line.setPlaceholderText("" if setting.default is None else _shown(setting.default))
        line.editingFinished.connect(lambda: self._typed(key, setting, line))
        return line

    def _typed(self, key: str, setting: Setting, line: QLineEdit) -> None:
        if self.desk.store is None or not line.isModified():
            return
        line.setModified(False)
        try:
            value = parsed(line.text(), setting, words(key))
        except InputError as error:
            self.desk.told.emit("error", str(error))
            self.refresh()
            return
        self.desk.change(self.section, **{key: value})

    def refresh(self) -> None:
        """Show the settings as the case has them."""
        store = self.desk.store
        self.setEnabled(store is not None)
        if store is None:
            return
        for key, field in self.fields.items():
            value = store.setting(self.section, key)
            if isinstance(field, QCheckBox):
                field.setChecked(bool(value))
            elif isinstance(field, QComboBox):
                field.setCurrentText(value)
            elif isinstance(field, QLineEdit) and not field.isModified():
                field.setText(_shown(value))


def words(key: str) -> str:
    """A setting's key in words, its unit in brackets."""
    for end, unit in (
        ("_mm2", "mm²"),
        ("_mm", "mm"),
        ("_um", "µm"),
        ("_hz", "Hz"),
        ("_m_s", "m/s"),
        ("_percent", "%"),
        ("_s", "s"),
    ):
        if key.endswith(end):
            return f"{key.removesuffix(end).replace('_', ' ')} ({unit})"
    return key.replace("_", " ")


def parsed(text: str, setting: Setting, where: str) -> Any:
    """What was typed as the setting's value; empty is "as if not given"."""
    text = text.strip()
    if not text:
        return setting.default if setting.kind in ("text", "texts", "numbers") else None
    if setting.kind == "text":
        return setting.checked(text, where)
    if setting.kind == "texts":
        return setting.checked([part.strip() for part in text.split(",") if part.strip()], where)
    try:
        if setting.kind == "whole":
            value: Any = int(text)
        elif setting.kind == "numbers":
            value = [float(part) for part in text.split(",")]
        else:
            value = float(text)
    except ValueError:
        raise InputError(f"{where}: {text!r} is not a number; type one.") from None
    return setting.checked(value, where)


def _shown(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, list):
        return ", ".join(_shown(part) for part in value)
    return f"{value:g}" if isinstance(value, float) else str(value)
