"""What a bench camera sees through a traced design or a fit: photographs with every fault, and their truth.

Reading order: `optics` (panel points and directions, both ways), `bench` (the faults), `images` (where dots
are seen, and how their light lands), `dots` (drawing them), `pictures` (drawing anything else), `sensor`
(light to codes), `taking` (a plan's photographs, one by one), `folder` (a whole plan to a folder).
"""
