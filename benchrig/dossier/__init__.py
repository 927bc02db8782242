"""The dossier: pages that a person can sign, made from a run's journal records alone.

Content is built once, as frozen value objects (`content`), and written twice: as HTML and as PDF.
"""
