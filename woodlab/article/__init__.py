"""Findings in words and figures: one Markdown source to DOCX, HTML and PDF."""

from woodlab.article.write import copy_template, write_article

__all__ = ["copy_template", "write_article"]
