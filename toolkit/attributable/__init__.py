"""What of the change is attributable to the technique: which rows are compared, the estimate, its bounds."""
