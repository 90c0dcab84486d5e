"""The live picture of a report: what an eye sees, drawn in the page by the exported shaders and tables.

`eye_data.py` exports what the page draws from, `part.py` puts it into the page; the scripts that run there
and their style sheet lie beside them. Nothing here needs OpenGL.
"""
