"""Zones learnt from a few brush strokes, and whether what was learnt holds on another slide."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import ZONES, Grid, Outline, mask_from_outlines
from coreg.results import write_text
from coreg.zones.concentric import concentric
from coreg.zones.features import FeatureMaps, mixing
from coreg.zones.proposal import Proposal
from coreg.zones.regularise import CORE, RIM, Regularity, regularise

Progress = Callable[[float, str], None]
FORMAT = "zone model 2"


@dataclass(frozen=True)
class Stroke:
    """A brush stroke: zone, (n, 2) points in slide mm, and the width of the brush in mm."""

    zone: str
    points: np.ndarray
    width: float


@dataclass(frozen=True)
class LearnOptions:
    """How strokes are turned into a model.

    sigma_um : widths of the Gaussians over which features are averaged before they are judged
    penalty : strength of the ridge penalty on the coefficients
    largest_sample : cells of a zone beyond this number are drawn at random
    seed : of that draw
    """

    sigma_um: tuple[float, ...] = (40.0, 120.0)
    penalty: float = 1.0
    largest_sample: int = 4000
    seed: int = 0


@dataclass(frozen=True)
class ZoneModel:
    """A trained classifier: multinomial logistic regression on features and their products.

    zones : what it tells apart
    names, stain_set, pixel_um : the features that it needs, and how they must have been measured
    centre, scale : (features,) over the tissue of the section that it was trained on
    coefficients : (zones, terms), intercept : (zones,)
    """

    zones: tuple[str, ...]
    names: tuple[str, ...]
    stain_set: str
    pixel_um: float
    centre: np.ndarray
    scale: np.ndarray
    coefficients: np.ndarray
    intercept: np.ndarray
    options: LearnOptions

    def probability(self, features: FeatureMaps, *, adapt: bool = False) -> np.ndarray:
        """Probability of each zone, float32 (rows, columns, zones) on the cells of `features`.

        `adapt` first gives the section's tissue the median and the spread of the tissue that the
        model was trained on, feature by feature, which takes out a shift of the stain; it also
        takes out what is real where this section holds other shares of the zones.
        """
        _check_features(self, features)
        stack, tissue = _stack(features, self.options), features.tissue
        centre, scale = self.centre, self.scale
        if adapt:
            centre, scale = _centre_and_scale(stack[tissue])
        out = np.zeros((*tissue.shape, len(self.zones)), dtype=np.float32)
        cells = stack[tissue]
        judged = np.empty((len(cells), len(self.zones)), dtype=np.float32)
        weights, offset = self.coefficients.T.astype(np.float32), self.intercept.astype(np.float32)
        for start in range(0, len(cells), _AT_ONCE):
            part = slice(start, start + _AT_ONCE)
            judged[part] = _terms((cells[part] - centre) / scale) @ weights + offset
        judged = np.exp(judged - judged.max(axis=1, keepdims=True))
        out[tissue] = judged / judged.sum(axis=1, keepdims=True)
        return out

    def predict(
        self,
        features: FeatureMaps,
        *,
        regularity: Regularity | None = None,
        adapt: bool = False,
        strokes: np.ndarray | Iterable[Stroke] | None = None,
        progress: Progress | None = None,
    ) -> Proposal:
        """Label a section. Cells outside the tissue get none.

        Parameters
        ----------
        strokes : on this section, as for `train`: what was painted keeps its zone, and counts
            where boundaries are drawn

        Raises
        ------
        InputError : features of another stain set, or measured at another pixel size
        """
        if progress is not None:
            progress(0.0, "judging the section")
        probability = self.probability(features, adapt=adapt)
        painted = None if strokes is None else _label_map(strokes, features)
        if progress is not None:
            progress(0.5, "drawing the zones together")
        regularity = regularity or Regularity()
        nested = None
        if regularity.concentric and {"ablated", "diffusion-damaged"} < set(self.zones):
            nested = concentric(probability, self.zones, features, regularity, painted=painted)
        labels, confidence = nested or regularise(
            probability, self.zones, features.tissue, features.grid, regularity
        )
        if painted is not None:
            said = (painted > 0) & features.tissue
            labels, confidence = np.where(said, painted, labels), np.where(said, 1, confidence)
            labels, confidence = labels.astype(np.uint8), confidence.astype(np.float32)
        found = bool(np.isin(labels, (CORE, RIM)).any())
        reason = (
            "Zones learnt from strokes."
            if found
            else ("No lesion found: no region was judged ablated or diffusion-damaged.")
        )
        details = {"zones": list(self.zones), "options": asdict(self.options), "adapted": adapt}
        return Proposal(
            labels, confidence, features.grid, found, reason, "learnt from strokes", details
        )

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the model as JSON: plain numbers, nothing that runs when it is read."""
        values: dict[str, Any] = {"format": FORMAT}
        for field in fields(self):
            value = getattr(self, field.name)
            values[field.name] = value.tolist() if isinstance(value, np.ndarray) else value
        values["options"] = asdict(self.options)
        write_text(Path(path), json.dumps(values, indent=1, allow_nan=False) + "\n")

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> ZoneModel:
        """Read a model that `save` wrote.

        Raises
        ------
        InputError : a file that cannot be read, or that is not such a model
        """
        try:
            values = json.loads(Path(path).read_text(encoding="utf-8"))
        except OSError as error:
            raise InputError(f"Cannot read {path}: {error.strerror}; check the path.") from error
        except ValueError as error:
            raise InputError(f"{path} is not JSON; choose a model that was saved.") from error
        if not isinstance(values, dict) or values.pop("format", None) != FORMAT:
            raise InputError(
                f"{path} is not a zone model of this version; train and save it again."
            )
        try:
            model = cls(
                zones=tuple(values["zones"]),
                names=tuple(values["names"]),
                stain_set=str(values["stain_set"]),
                pixel_um=float(values["pixel_um"]),
                centre=np.array(values["centre"], dtype=np.float64),
                scale=np.array(values["scale"], dtype=np.float64),
                coefficients=np.array(values["coefficients"], dtype=np.float64),
                intercept=np.array(values["intercept"], dtype=np.float64),
                options=LearnOptions(
                    **{**values["options"], "sigma_um": tuple(values["options"]["sigma_um"])}
                ),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise InputError(
                f"{path} is damaged ({type(error).__name__}: {error}); train and save it again."
            ) from error
        n = len(model.names) * len(model.options.sigma_um)
        expected = (len(model.zones), n + n * (n + 1) // 2)
        if (
            model.coefficients.shape != expected
            or not set(model.zones) <= set(ZONES)
            or model.centre.shape != (n,)
            or model.scale.shape != (n,)
        ):
            raise InputError(f"{path} is damaged (sizes do not fit); train and save it again.")
        return model


def train(
    features: FeatureMaps,
    strokes: np.ndarray | Iterable[Stroke],
    options: LearnOptions | None = None,
) -> ZoneModel:
    """Learn zones from strokes on one section.

    Parameters
    ----------
    features : of the section, from `coreg.zones.features`
    strokes : label map (rows, columns) on the cells of `features` in the numbers of `ZONES`, 0
        where nothing was said; or `Stroke` objects

    Raises
    ------
    InputError : fewer than two zones, an unknown zone, strokes that miss the tissue
    """
    from sklearn.linear_model import LogisticRegression

    options = options or LearnOptions()
    labels = _label_map(strokes, features)
    stack, tissue = _stack(features, options), features.tissue
    names_of = {number: zone for zone, number in ZONES.items()}
    zones: list[str] = []
    rows: list[np.ndarray] = []
    targets: list[np.ndarray] = []
    rng = np.random.default_rng(options.seed)
    for number, zone in names_of.items():
        if not (labels == number).any():
            continue
        cells = np.flatnonzero((labels == number) & tissue)
        if not cells.size:
            raise InputError(f"The strokes for {zone!r} miss the tissue; draw them on it.")
        if cells.size > options.largest_sample:
            cells = rng.choice(cells, options.largest_sample, replace=False)
        rows.append(cells)
        targets.append(np.full(cells.size, len(zones)))
        zones.append(zone)
    if len(zones) < 2:
        raise InputError(
            f"Strokes for {len(zones)} zone were given; draw at least one for each of two zones."
        )
    flat = stack.reshape(-1, stack.shape[-1])
    centre, scale = _centre_and_scale(stack[tissue])
    terms = _terms((flat[np.concatenate(rows)] - centre) / scale)
    target = np.concatenate(targets)
    # Cells of one stroke repeat one another, so each zone weighs as a fixed number of cells.
    weight = 1.0 / np.bincount(target)[target] * _EFFECTIVE_CELLS
    fit = LogisticRegression(C=1.0 / options.penalty, max_iter=2000, tol=1e-5)
    fit.fit(terms, target, sample_weight=weight)
    coefficients, intercept = fit.coef_, fit.intercept_
    if len(zones) == 2:
        coefficients = np.vstack([np.zeros_like(coefficients), coefficients])
        intercept = np.append(0.0, intercept)
    return ZoneModel(
        tuple(zones),
        features.names,
        features.stain_set,
        features.pixel_um,
        centre.astype(np.float64),
        scale.astype(np.float64),
        coefficients.astype(np.float64),
        intercept.astype(np.float64),
        replace(options),
    )


def paint(strokes: Iterable[Stroke], grid: Grid) -> np.ndarray:
    """Strokes as a label map, uint8 in the numbers of `ZONES`; later strokes cover earlier ones."""
    from shapely.geometry import LineString, Point

    labels = np.zeros(grid.shape, dtype=np.uint8)
    for stroke in strokes:
        if stroke.zone not in ZONES:
            raise InputError(f"Unknown zone {stroke.zone!r} of a stroke; use one of {list(ZONES)}.")
        points = np.asarray(stroke.points, dtype=np.float64)[:, ::-1]
        line = LineString(points) if len(points) > 1 else Point(points[0])
        ring = np.asarray(line.buffer(stroke.width / 2).exterior.coords)[:, ::-1]
        labels[mask_from_outlines([Outline(ring, grid.frame)], grid)] = ZONES[stroke.zone]
    return labels


@dataclass(frozen=True)
class Applicability:
    """Whether a model may be applied to another section.

    verdict : "applicable", "doubtful" or "not applicable"
    reason : one sentence
    shift : by feature, how far the tissue's median lies from that of the training section, in
        units of its spread
    outside : share of the tissue's cells beyond all but the outermost 1 % of the training
        section, feature by feature, averaged
    """

    verdict: str
    reason: str
    shift: dict[str, float]
    outside: float


def applicability(model: ZoneModel, features: FeatureMaps) -> Applicability:
    """Judge a stain shift: whether a section looks like the one that the model was trained on.

    Compares the tissue's features with those of the training section: "applicable" where no
    feature's median moved by more than 1 spread, "doubtful" up to 2, else "not applicable".
    These limits are the program's own choice.
    """
    if features.stain_set != model.stain_set:
        reason = (
            f"The model was trained on {model.stain_set}, this section is {features.stain_set}."
        )
        return Applicability("not applicable", reason, {}, float("nan"))
    z = (_stack(features, model.options)[features.tissue] - model.centre) / model.scale
    moved = np.median(z, axis=0)[: len(model.names)]
    shift = {name: float(value) for name, value in zip(model.names, moved, strict=True)}
    worst = max(shift, key=lambda name: abs(shift[name]))
    size = abs(shift[worst])
    outside = float((np.abs(z) > _OUTERMOST).mean())
    verdict = "applicable" if size <= 1 else "doubtful" if size <= 2 else "not applicable"
    advice = {
        "applicable": "the model may be applied",
        "doubtful": "check the result, or add strokes on this section",
        "not applicable": "draw strokes on this section",
    }[verdict]
    reason = f"{worst} lies {size:.1f} spreads from the training section: {advice}."
    return Applicability(verdict, reason, shift, outside)


# Strokes of a zone count as this many independent cells.
_EFFECTIVE_CELLS = 200.0
_OUTERMOST = 2.58
# Cells judged at once, so that their products do not fill the memory.
_AT_ONCE = 20_000


def _label_map(strokes: np.ndarray | Iterable[Stroke], features: FeatureMaps) -> np.ndarray:
    labels = strokes if isinstance(strokes, np.ndarray) else paint(strokes, features.grid)
    if labels.shape != features.grid.shape:
        raise InputError(f"Expected strokes of shape {features.grid.shape}, got {labels.shape}.")
    unknown = sorted(set(np.unique(labels)) - {0, *ZONES.values()})
    if unknown:
        raise InputError(f"Strokes hold the number {unknown[0]}, which is no zone; use ZONES.")
    return labels


def _check_features(model: ZoneModel, features: FeatureMaps) -> None:
    if features.stain_set != model.stain_set or features.names != model.names:
        raise InputError(
            f"The model was trained on {model.stain_set}, this section is {features.stain_set}; "
            "train one for this stain."
        )
    if not 0.7 < features.pixel_um / model.pixel_um < 1.4:
        raise InputError(
            f"The model was trained on pixels of {model.pixel_um:.2g} µm, these are of "
            f"{features.pixel_um:.2g} µm; measure the features at the same pixel size."
        )


def _stack(features: FeatureMaps, options: LearnOptions) -> np.ndarray:
    """Features at every width side by side, (rows, columns, widths * features)."""
    planes = np.concatenate([mixing(features.at(sigma)) for sigma in options.sigma_um])
    return np.ascontiguousarray(np.moveaxis(planes, 0, -1))


def _centre_and_scale(cells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Median and spread (half of the middle 68 %) of each column; constant columns get 1."""
    low, centre, high = np.percentile(cells, [16, 50, 84], axis=0)
    scale = (high - low) / 2
    return centre, np.where(scale > 1e-6, scale, 1.0)


def _terms(z: np.ndarray) -> np.ndarray:
    """Columns and their products two by two; far values are drawn in, so that none runs away."""
    z = np.clip(z, -6, 6).astype(np.float32)
    first, second = np.triu_indices(z.shape[1])
    return np.concatenate([z, 0.3 * z[:, first] * z[:, second]], axis=1)
