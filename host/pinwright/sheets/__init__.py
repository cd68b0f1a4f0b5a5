"""Pictures and pages drawn from profiles and records: the wiring picture, the PDF, the HTML page."""
