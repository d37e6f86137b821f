"""JupyterLab and pages in chromium, as a person would use them."""
