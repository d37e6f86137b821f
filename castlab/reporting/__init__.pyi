from .evidence import Evidence, read
from .recipes import Recipes, compare_recipes
from .story import Story, tell

__all__ = ["Evidence", "Recipes", "Story", "compare_recipes", "read", "tell"]
