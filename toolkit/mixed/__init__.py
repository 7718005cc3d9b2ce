"""The mixed-model engine: clients who come back, practitioners who share them."""
