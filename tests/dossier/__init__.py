"""Tests of the dossier and of the label."""
