"""Measured prototypes: from a rig's files to a directivity, and its difference from the model."""
