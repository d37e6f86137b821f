"""castlab: log resin and silicone castings, compare runs, and see which settings made the difference.

The names here load what they need on first use, so that `import castlab` stays light.
"""

import lazy_loader

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
