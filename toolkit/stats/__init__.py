"""Statistics, a topic a file: paired readings, effect sizes, signs, reliability, agreement, groups, single cases."""
