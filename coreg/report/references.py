"""References for the methods that a report names.

Volume and pages are from memory, except Umeyama 1991 and Bland and Altman 1986, which were seen
quoted alike in public sources.
"""

from __future__ import annotations

from collections.abc import Iterable

REFERENCES: dict[str, str] = {
    "dice": "Dice LR. Measures of the amount of ecologic association between species. Ecology "
    "1945;26:297–302.",
    "jaccard": "Jaccard P. The distribution of the flora in the alpine zone. New Phytologist "
    "1912;11:37–50.",
    "hausdorff": "Huttenlocher DP, Klanderman GA, Rucklidge WJ. Comparing images using the "
    "Hausdorff distance. IEEE Trans Pattern Anal Mach Intell 1993;15:850–863.",
    "otsu": "Otsu N. A threshold selection method from gray-level histograms. IEEE Trans Syst Man "
    "Cybern 1979;9:62–66.",
    "similarity": "Umeyama S. Least-squares estimation of transformation parameters between two "
    "point patterns. IEEE Trans Pattern Anal Mach Intell 1991;13:376–380.",
    "thin-plate": "Bookstein FL. Principal warps: thin-plate splines and the decomposition of "
    "deformations. IEEE Trans Pattern Anal Mach Intell 1989;11:567–585.",
    "staple": "Warfield SK, Zou KH, Wells WM. Simultaneous truth and performance level estimation "
    "(STAPLE): an algorithm for the validation of image segmentation. IEEE Trans Med Imaging "
    "2004;23:903–921.",
    "deconvolution": "Ruifrok AC, Johnston DA. Quantification of histochemical staining by color "
    "deconvolution. Anal Quant Cytol Histol 2001;23:291–299.",
    "bland-altman": "Bland JM, Altman DG. Statistical methods for assessing agreement between two "
    "methods of clinical measurement. Lancet 1986;327:307–310.",
    "concordance": "Lin LI. A concordance correlation coefficient to evaluate reproducibility. "
    "Biometrics 1989;45:255–268.",
    "intraclass": "Shrout PE, Fleiss JL. Intraclass correlations: uses in assessing rater "
    "reliability. Psychol Bull 1979;86:420–428.",
    "deming": "Linnet K. Evaluation of regression procedures for methods comparison studies. Clin "
    "Chem 1993;39:424–432.",
    "passing-bablok": "Passing H, Bablok W. A new biometrical procedure for testing the equality "
    "of measurements from two different analytical methods. J Clin Chem Clin Biochem "
    "1983;21:709–720.",
    "bootstrap": "Efron B, Tibshirani RJ. An introduction to the bootstrap. New York: Chapman & "
    "Hall; 1993.",
    "numpy": "Harris CR, et al. Array programming with NumPy. Nature 2020;585:357–362.",
    "scipy": "Virtanen P, et al. SciPy 1.0: fundamental algorithms for scientific computing in "
    "Python. Nat Methods 2020;17:261–272.",
    "scikit-image": "van der Walt S, et al. scikit-image: image processing in Python. PeerJ "
    "2014;2:e453.",
}


class Cited:
    """Numbers references in the order in which a text cites them."""

    def __init__(self) -> None:
        self._order: list[str] = []

    def __call__(self, *names: str) -> str:
        """The numbers in brackets, e.g. "[1, 4]"."""
        for name in names:
            if name not in self._order:
                self._order.append(name)
        return f"[{', '.join(str(self._order.index(name) + 1) for name in names)}]"

    def listed(self) -> Iterable[str]:
        """The references cited so far, in order."""
        return (REFERENCES[name] for name in self._order)
