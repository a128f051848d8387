"""A run's result in words, for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from coreg.steps import CaseResult

_SHOWN = (
    ("dice", "Dice", ""),
    ("jaccard", "Jaccard", ""),
    ("sensitivity", "sensitivity", ""),
    ("precision", "precision", ""),
    ("predicted_area_mm2", "predicted area", " mm²"),
    ("pathology_area_mm2", "pathology area", " mm²"),
    ("mean_boundary_distance_mm", "mean boundary distance", " mm"),
    ("hd95_mm", "95th percentile boundary distance", " mm"),
)


def in_words(result: CaseResult) -> list[str]:
    """Lines that say what each finished step found, and where the files are."""
    done = ", ".join(result.done) if result.done else "nothing; all was done already"
    lines = [f"Case {result.case}: did {done}."]
    found = result.summaries
    if "predict" in found:
        lines += _predicted(found["predict"])
    if "outline" in found:
        lines += _stained(found["outline"])
    if "align" in found:
        lines += _aligned(found["align"])
    for zone, measures in result.agreement.items():
        lines.append(f"Predicted lesion against {zone}:")
        lines += [
            f"  {label:34} {_estimate(measures[name], unit)}"
            for name, label, unit in _SHOWN
            if measures.get(name, {}).get("value") is not None
        ]
        lines += [f"  {text}" for text in _reasons(found["agree"], zone)]
    if result.figure is not None:
        lines.append(f"Figure: {result.figure}")
    if result.table is not None:
        lines.append(f"Table:  {result.table}")
    return lines


def _predicted(summary: dict[str, Any]) -> list[str]:
    text = f"Predicted lesion: {summary['predicted_area_mm2']:.1f} mm²"
    if summary["threshold_percent"] is not None:
        text += f" where the amplitude fell by {-summary['threshold_percent']:.0f} % or more"
    lines = [f"{text}. {summary['reason']}".rstrip()]
    return lines + [f"  Question: {question}" for question in summary["questions"]]


def _stained(summary: dict[str, Any]) -> list[str]:
    stain = summary.get("stain")
    if not stain:
        return []
    if stain["reason"]:
        return [f"Stain: not estimated on this slide; {stain['reason']}"]
    vectors = "; ".join(
        f"{name} ({', '.join(f'{part:.2f}' for part in vector)})"
        for name, vector in zip(stain["stains"], stain["vectors"], strict=True)
    )
    return [f"Stain, optical density in red, green and blue as estimated: {vectors}."]


def _aligned(summary: dict[str, Any]) -> list[str]:
    face = "mirrored" if summary["mirrored"] else "not mirrored"
    error = summary["leave_one_out_median_mm"]
    left = "not known" if error is None else f"{error:.2f} mm"
    lines = [
        f"Alignment: {summary['model']}, {summary['landmarks']} landmarks, {face}; "
        f"leave-one-out error {left} (median), shrinkage {100 * summary['shrinkage_depth']:.0f} % "
        f"in depth and {100 * summary['shrinkage_lateral']:.0f} % laterally."
    ]
    low, high = summary["error_interval_mm"]
    if summary["error_mm"] is not None and low is not None:
        lines.append(
            f"  Expected error over {summary['judged_over']}: {summary['error_mm']:.2f} mm (95 % "
            f"interval {low:.2f} to {high:.2f}); verdict: {summary['verdict']}."
        )
    lines += [f"  {reason}" for reason in summary["reasons"]]
    if summary["suspects"]:
        lines.append(f"  Does not fit the others: {', '.join(summary['suspects'])}.")
    return lines


def _estimate(estimate: dict[str, float | None], unit: str) -> str:
    value, low, high = (estimate[key] for key in ("value", "low", "high"))
    text = f"{value:.3g}{unit}"
    if low is None or high is None:
        return text
    return f"{text} (95 % interval {low:.3g} to {high:.3g})"


def _reasons(summary: dict[str, Any], zone: str) -> list[str]:
    return sorted({f"Not given: {why}." for why in summary["reasons"].get(zone, {}).values()})
