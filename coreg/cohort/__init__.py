"""Many cases: run them, choose a threshold, and state agreement over animals.

All is imported here, since two functions have the names of their modules; what is heavy loads
when used.
"""

from coreg.cohort.bland_altman import BlandAltman, bland_altman, repeatability
from coreg.cohort.bootstrap import Estimate, cluster_bootstrap, cluster_mean
from coreg.cohort.concordance import Concordance, Intraclass, concordance, intraclass
from coreg.cohort.groups import GroupComparison, MixedModel, compare_groups, mixed_model
from coreg.cohort.kappa import Kappa, cohen_kappa, fleiss_kappa, label_table
from coreg.cohort.observers import case_kappa, study_kappas
from coreg.cohort.regression import Regression, deming, passing_bablok, r_squared
from coreg.cohort.run import StudyResult, run_study
from coreg.cohort.study import Study, StudyCase, load_study
from coreg.cohort.summary import compare, summarise_zone
from coreg.cohort.threshold import ThresholdChoice, leave_one_animal_out

__all__ = [
    "BlandAltman",
    "Concordance",
    "Estimate",
    "GroupComparison",
    "Intraclass",
    "Kappa",
    "MixedModel",
    "Regression",
    "Study",
    "StudyCase",
    "StudyResult",
    "ThresholdChoice",
    "bland_altman",
    "case_kappa",
    "cluster_bootstrap",
    "cluster_mean",
    "cohen_kappa",
    "compare",
    "compare_groups",
    "concordance",
    "deming",
    "fleiss_kappa",
    "intraclass",
    "label_table",
    "leave_one_animal_out",
    "load_study",
    "mixed_model",
    "passing_bablok",
    "r_squared",
    "repeatability",
    "run_study",
    "study_kappas",
    "summarise_zone",
]
