"""Names of the renderers that people may ask for, apart from what draws: commands need them at once."""

CHOICES = ("auto", "egl", "none")
