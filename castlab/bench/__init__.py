"""Plan the pour: how much to mix, what it costs, whether it fits, and what vacuum and cure will do to it.

The names here load what they need on first use, so that `import castlab.bench` stays light.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
