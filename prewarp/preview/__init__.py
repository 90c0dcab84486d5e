"""The preview: one eye's panels and the perceived view while the eye moves, in a window or as a film."""
