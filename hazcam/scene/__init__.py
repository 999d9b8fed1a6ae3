"""The proving ground: rendered terrain whose truth is known, pictures of it, and the judge.

Needs the extra ``scene`` to render; reading truths, judging headings and the camera model do not.

A scene is made in this order:

1. :mod:`~hazcam.scene.mixtures` draws a :mod:`~hazcam.scene.description`, or a file holds one;
2. :mod:`~hazcam.scene.build` lays out the ground (:mod:`~hazcam.scene.ground`,
   :mod:`~hazcam.scene.features`, :mod:`~hazcam.scene.texture`) and the rocks on it
   (:mod:`~hazcam.scene.meshes`, :mod:`~hazcam.scene.rock_sizes`), and finds how the rover stands;
3. :mod:`~hazcam.scene.render` lights it (:mod:`~hazcam.scene.light`) and looks at it through
   :mod:`~hazcam.scene.camera`;
4. :mod:`~hazcam.scene.effects` turns light into grey levels and files;
5. :mod:`~hazcam.scene.truth` measures what is there, from the meshes and by ray casting;
6. :mod:`~hazcam.scene.io` writes pictures, sidecar and truth; :mod:`~hazcam.scene.shoot` does all
   of this for many scenes;
7. :mod:`~hazcam.scene.way` surveys a heading in the truth, :mod:`~hazcam.scene.blocks` (on
   :mod:`~hazcam.scene.relief`) says what blocks it, :mod:`~hazcam.scene.judge` labels it;
8. :mod:`~hazcam.scene.rehearsal` holds the verdicts of the program against the labels.
"""

from hazcam.scene.io import read_depth, read_truth
from hazcam.scene.truth import Elevation, SceneTruth, TrueDepth, TruthObject

__all__ = ["Elevation", "SceneTruth", "TrueDepth", "TruthObject", "read_depth", "read_truth"]
