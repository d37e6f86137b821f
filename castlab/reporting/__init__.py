"""What a report says, part by part: the report's notebook shows these, `castlab.reports` executes and prints it."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
