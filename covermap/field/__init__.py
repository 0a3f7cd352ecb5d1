"""One field, all steps in order; writes nothing."""
