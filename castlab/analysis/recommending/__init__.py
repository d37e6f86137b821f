"""From fits to the settings to use next: wishes, the search, the next casting and its chances."""
