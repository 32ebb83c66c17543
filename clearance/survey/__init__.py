"""Owns the way from a laser scan to a scene, with the error carried along.

To survey scans use `clearance.survey.run.survey_scans`; to write a scene, its bodies and survey.json use
`clearance.survey.write.write_survey`; to write the scan back with classes use `clearance.survey.labels.write_labels`;
to compare two surveys of one line use `clearance.survey.compare.compare_surveys`.
"""
