"""How good it is: bubbles counted from a photo, and whether scorers agree. Each says how far it can be trusted."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
