"""What charts and lists need inside a notebook: the renderer, and lists that sort."""
