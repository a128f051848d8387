"""coreg: does the lesion predicted from tissue displacement lie where pathology finds damage?"""

from __future__ import annotations

__version__ = "0.1.0"
