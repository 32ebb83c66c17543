"""Owns the scene file: its records (`records`), reading (`reading`), units (`units`), schema and built-in scenes.

To read a scene, use `clearance.scene.reading.read_scene`; to know what a table may hold, see `clearance.scene.records`.
"""
