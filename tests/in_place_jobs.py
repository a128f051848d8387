"""Jobs of the window done at once, for desks without a window."""

from __future__ import annotations


class InPlace:
    """Jobs that run at once, for tests without a window."""

    def run(self, title, work, done, *, key="", quiet=False):
        """Do the work, then hand over its result."""
        done(work(lambda fraction, text: None))

    def each(self, acts, then):
        """Do all at once."""
        for act in acts:
            act()
        then()
