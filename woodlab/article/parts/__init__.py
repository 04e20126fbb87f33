"""What each subject gives to an article: sections, boxes, pictures."""
