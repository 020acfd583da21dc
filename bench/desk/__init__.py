"""The desk: a local page on which a person moves a calibration's settings and sees at once what they do."""
