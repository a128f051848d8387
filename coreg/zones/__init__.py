"""From a stained section to the zones that a pathologist confirms."""
