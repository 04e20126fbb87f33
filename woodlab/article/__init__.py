"""Findings in words and figures: one Markdown source to DOCX, HTML and PDF. Knows `studies`, `charts`."""
