"""What made the difference: effects of factors, comparison of runs, and what the castings made so far cannot tell apart.

`fit_factors` and `compare_runs` answer in effects with intervals; `what_is_confounded` says which settings always
changed together and which castings would separate them; `watch` follows production as it runs. Pictures of these
results are in `castlab.figures`.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
