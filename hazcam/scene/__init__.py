"""The proving ground: rendered terrain whose truth is known, pictures of it, and the judge.

Needs the extra ``scene`` to render; reading truths, judging headings and the camera model do not.

A scene is made in this order:

1. :mod:`~hazcam.scene.sets` holds the recipes;
2. :mod:`~hazcam.scene.build` lays out ground and rocks (:mod:`~hazcam.scene.terrain`,
   :mod:`~hazcam.scene.meshes`, :mod:`~hazcam.scene.texture`) and finds how the rover stands;
3. :mod:`~hazcam.scene.render` lights it (:mod:`~hazcam.scene.light`) and looks at it;
4. :mod:`~hazcam.scene.camera` turns light into grey levels;
5. :mod:`~hazcam.scene.truth` measures what is there, from the meshes and by ray casting;
6. :mod:`~hazcam.scene.io` writes pictures, sidecar and truth;
7. :mod:`~hazcam.scene.judge` labels a heading from the truth.

Run it with ``python -m hazcam.scene sample -o sample_pairs``.
"""

from hazcam.scene.io import read_truth
from hazcam.scene.judge import HeadingLabel, label_heading
from hazcam.scene.truth import Elevation, SceneTruth, TruthObject

__all__ = ["Elevation", "HeadingLabel", "SceneTruth", "TruthObject", "label_heading", "read_truth"]
