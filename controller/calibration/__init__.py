"""A probe against a saturated salt, or against a second gauge: what it needs to be right."""
