"""The demo scenario: two invented sheep discs, from a recipe with known truth."""
