"""Meshes and shares made on the GPU from a package's files alone, held to the twins of the C evaluator."""

import json
import shutil
import subprocess

import numpy as np
import pytest

from prewarp.errors import PackageError
from prewarp.export.gpu_files import GROUP_PX, MESH, SHARES, gpu_files, gpu_not_available
from prewarp.export.gpu_nodes import KIND, NODES_SHARE, node_counts, nodes_reached
from prewarp.export.gpu_numbers import GpuPlan, border_points, gpu_plan, map_numbers
from prewarp.export.judgement import Request
from prewarp.export.ktx2 import FORMATS as TEXEL_FORMATS
from prewarp.export.ktx2 import Texture, ktx2_bytes, texture_from_ktx2
from prewarp.export.package import PackageOptions
from prewarp.export.polynomial_block import coefficient_block
from prewarp.export.reached import on_triangles
from prewarp.export.shader_files import DIALECTS
from prewarp.export.shader_text import COMPUTE_HEADS, HEADS, VULKAN
from prewarp.export.share_textures import texel_directions
from prewarp.export.truth import truth_of
from prewarp.export.verify import verify_package
from prewarp.files import sha256_of_bytes
from prewarp.lookup import Family, prepare
from prewarp.lookup.device_light import PreparedLight, claims_at
from prewarp.lookup.tables import RegionTable
from tests.export.device_builds import PUPILS, chebyshev_lookup, small_build, write_small
from tests.export.drawing_jobs import UNSURE, codes_of, content_light, require_close
from tests.export.gpu_passes import GpuPasses, read
from tests.lookup.small_lookups import small_lookup
from tests.render.conftest import context, session_context  # noqa: F401  (fixtures)
from tests.support import require_tool
