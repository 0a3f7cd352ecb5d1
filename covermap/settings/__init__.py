"""Every setting: name, kind, bounds, default and why; the field file."""
