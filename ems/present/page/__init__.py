"""The report page: one self-contained HTML file of a solved trip."""

REPORT_FILE = "report.html"
