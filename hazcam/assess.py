"""The spine: the stages in order. Read this page and you know the program."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hazcam.calibration import StereoRig, noise_of, rig_for
from hazcam.depth import PointMap, triangulate
from hazcam.disparity import DisparityMap, ground_band
from hazcam.epipolar import (
    MAX_EPIPOLAR_OFFSET_PX,
    MAX_EPIPOLAR_SPREAD_PX,
    MIN_EPIPOLAR_FEATURES,
    MIN_EPIPOLAR_SHARE,
    EpipolarResidual,
    check_epipolar,
    correct_offset,
)
from hazcam.errors import PairError, RigError
from hazcam.frames import Attitude, View, view_from
from hazcam.imagery import Intake, PlanarMove, StereoPair, check_pictures
from hazcam.rectification import RectifiedPair, common_view, rectify
from hazcam.refinement import Refinement, refine_on
from hazcam.rover import RoverProfile
from hazcam.settings import Settings
from hazcam.terrain import CarriedOver, PreviousGround, TerrainMap, carry_over, map_terrain
from hazcam.terrain.pack import on_lattice
from hazcam.verdict import (
    Cause,
    HeadingDemand,
    HeadingVerdict,
    Suggestion,
    decide,
    demands_along,
    near_strip_m,
    suggest,
)

# Focal length and baseline are known to 0.7 % and 0.8 % where the rig file gives no covariance:
# what the choice of the corner method alone moves in a chessboard calibration (our measurement).
_DEFAULT_SCALE_SIGMA = float(np.hypot(0.007, 0.008))


@dataclass(frozen=True, kw_only=True, eq=False)
class Assessment:
    """All that was found out about one pair.

    Attributes
    ----------
    pair, rig, rover, settings
        What went in (``rig`` moved and scaled to the pair's window and binning).
    intake : Intake
        What the pictures are good for.
    view : View
        Where the cameras are, against the body and against gravity.
    verdicts : tuple of HeadingVerdict
        In the order of ``settings.headings_deg``.
    suggestion : Suggestion
        Where to go, in words.
    rectified, epipolar, disparity, points, terrain, demands
        The record of each stage; None (no demands) for a pair with one picture missing.
    near_strip_max_m : float or None
        Ground out of view is assumed clear up to here, from the nose. [m]
    carried : CarriedOver or None
        What came of the previous pair's ground; None where there is none, or no stereo.
    refined : Refinement or None
        What came of refining the rig on this pair; None where it was not asked for, or no stereo.
        ``rig`` is as calibrated all the same; ``view`` is that of the refined one.
    """

    pair: StereoPair
    rig: StereoRig
    rover: RoverProfile
    settings: Settings
    intake: Intake
    view: View
    verdicts: tuple[HeadingVerdict, ...]
    suggestion: Suggestion
    rectified: RectifiedPair | None = None
    epipolar: EpipolarResidual | None = None
    disparity: DisparityMap | None = None
    points: PointMap | None = None
    terrain: TerrainMap | None = None
    demands: tuple[HeadingDemand, ...] = ()
    near_strip_max_m: float | None = None
    carried: CarriedOver | None = None
    refined: Refinement | None = None


def assess_pair(
    pair: StereoPair, rig: StereoRig, rover: RoverProfile, settings: Settings | None = None,
    previous: PreviousGround | None = None,
) -> Assessment:
    """Judge each heading ahead of one stereo pair.

    Touches no file; the same input gives the same answer, for any number of threads. Threads of
    Python may call it at once; do not fork a process that has called it (start pools with spawn).

    Parameters
    ----------
    pair : StereoPair
        From ``read_pair``, or from arrays by ``pair_from_arrays``.
    rig : StereoRig
        With its mount on the rover.
    rover : RoverProfile
        Body, legs, margin and limits.
    settings : Settings, optional
        What to do otherwise than by default.
    previous : PreviousGround, optional
        From ``previous_ground``: what the pair before this one saw of the ground that is out of
        view now. Where it cannot be used, ``carried`` says why.

    Returns
    -------
    Assessment
        The verdicts, and the record of every stage.

    Raises
    ------
    HazcamError
        For an input that the user can mend: useless pictures, swapped pictures, sizes that do
        not fit, a rig without a mount.
    TypeError
        Arrays or paths in the place of what is made of them.
    """
    settings = settings or Settings()
    _check_kinds(pair, rig, rover)
    whole_rig = rig
    rig = rig_for(pair.size, pair.window, pair.binning, rig, where=pair.left_name)
    view = view_of(pair.attitude, rig, settings)
    intake = check_pictures(pair)
    if pair.left is None or pair.right is None:
        return _without_stereo(pair, rig, rover, settings, intake, view)
    refined = refine_on(pair, rig, intake, view) if settings.refine else None
    view = view if refined is None else refined.view
    as_rectified = rectify(pair, rig if refined is None else refined.rig, intake)
    noise = noise_of(intake, rig)
    epipolar = check_epipolar(as_rectified, view, noise, name=pair.id)
    rectified = correct_offset(as_rectified, epipolar)
    band = ground_band(rectified.camera, rectified.T_camera_rectified, view, settings.matching)
    disparity = settings.matcher.match(rectified, band, noise)
    points = triangulate(disparity, rectified, view)
    whole = rig is whole_rig and refined is None
    sensor = as_rectified.view if whole else common_view(whole_rig)
    terrain = map_terrain(points, sensor, settings.terrain)
    carried = None if previous is None else carry_over(terrain, previous)
    # What is judged is what is stored: other limits or another rover later meet the same ground.
    terrain = on_lattice(terrain if carried is None else carried.terrain)
    strip_max_m = near_strip_bound_m(terrain, rover, settings)
    demands = demands_along(terrain, rover, settings.headings_deg,
                            look_ahead_m=settings.look_ahead_m, near_strip_max_m=strip_max_m)
    verdicts = tuple(
        decide(d, rover.limits, settings.confidence, pair_causes=rig_causes(epipolar))
        for d in demands
    )
    return Assessment(
        pair=pair, rig=rig, rover=rover, settings=settings, intake=intake, view=view,
        verdicts=verdicts, suggestion=suggest(verdicts), rectified=rectified, epipolar=epipolar,
        disparity=disparity, points=points, terrain=terrain, demands=demands,
        near_strip_max_m=strip_max_m, carried=carried, refined=refined,
    )


def previous_ground(found: Assessment, move: PlanarMove) -> PreviousGround:
    """What the next pair of a sequence may take from the assessment of this one.

    Parameters
    ----------
    found : Assessment
        Of the previous pair.
    move : PlanarMove
        From the previous pair to the next.

    Raises
    ------
    PairError
        Its ground is not to be relied on: a picture is missing, or the rig check speaks against
        it.
    """
    causes = () if found.epipolar is None else rig_causes(found.epipolar)
    if found.terrain is None or causes:
        why = causes[0].text if causes else "a picture is missing: no ground is known"
        raise PairError(found.pair.id, why, "a pair whose ground can be relied on",
                        "leave `previous` out, or name another pair")
    return PreviousGround(id=found.pair.id, terrain=found.terrain, move=move,
                          pair_digest=found.pair.digest, rig_digest=found.rig.digest)


def _check_kinds(pair: object, rig: object, rover: object) -> None:
    """Refuse arrays and paths with the call that makes of them what is meant."""
    for name, value, kind, hint in (
        ("pair", pair, StereoPair,
         "make a pair with pair_from_arrays(left, right, attitude=...) or read_pair(path)"),
        ("rig", rig, StereoRig, "read it with read_rig(path)"),
        ("rover", rover, RoverProfile, "read it with read_rover(name_or_path)"),
    ):
        if not isinstance(value, kind):
            raise TypeError(f"{name} is a {type(value).__name__}, not a {kind.__name__}: {hint}")


def view_of(attitude: Attitude | None, rig: StereoRig, settings: Settings) -> View:
    """Where the cameras are, from the mount and the stated attitude, if any."""
    if rig.mount is None:
        raise RigError(
            rig.source or rig.name, "the rig has no mount on a rover",
            "the pose of the left camera in the rover frame",
            "measure it with `hazcam calibrate mount`, or give --mount FILE (mount_R, mount_t)",
        )
    unknown_tilt = 0.0 if settings.assume_level else settings.tilt_bound_deg
    return view_from(rig.mount, attitude, unknown_tilt_deg=unknown_tilt,
                     scale_sigma=_scale_sigma(rig))


def _scale_sigma(rig: StereoRig) -> float:
    """Share by which all ranges may be off together, one standard deviation."""
    if rig.covariance is None:
        return _DEFAULT_SCALE_SIGMA
    focal = np.sqrt(rig.covariance[0, 0]) / rig.K1[0, 0]
    baseline = np.sqrt(rig.covariance[11, 11]) / rig.baseline_m
    return float(np.hypot(focal, baseline))


def near_strip_bound_m(terrain: TerrainMap, rover: RoverProfile, settings: Settings) -> float:
    """The user's bound, else the straight-ahead strip; 0 if that is never in full view."""
    if settings.near_strip == "ask":
        return 0.0
    if settings.near_strip_max_m is not None:
        return settings.near_strip_max_m
    strip = near_strip_m(terrain, rover, 0.0, settings.look_ahead_m)
    return strip if np.isfinite(strip) else 0.0


def rig_causes(epipolar: EpipolarResidual) -> tuple[Cause, ...]:
    """What the rig check says against every heading."""
    if not epipolar.checked:
        found = (f"only {epipolar.count} feature{' was' if epipolar.count == 1 else 's were'} "
                 "tracked between the pictures")
        if epipolar.count < MIN_EPIPOLAR_SHARE * epipolar.sought:
            found = (f"only {epipolar.count} of {epipolar.sought} features were tracked between "
                     "the pictures")
        elif epipolar.count >= MIN_EPIPOLAR_FEATURES:
            found = (f"the {epipolar.count} features tracked between the pictures cover too little "
                     "of them")
        return (_pair_cause(
            "rig not checked",
            f"{found}: whether the rig still matches its calibration is not known",
        ),)
    if epipolar.matches_calibration:
        return ()
    return (Cause(
        kind="rig no longer matches its calibration", at_m=0.0, demand=epipolar.largest_px,
        sigma=epipolar.largest_sigma_px, limit=MAX_EPIPOLAR_OFFSET_PX, unit="px",
        text=f"rig no longer matches its calibration: rows lie up to {epipolar.largest_px:.2f} px "
             f"off (limit {MAX_EPIPOLAR_OFFSET_PX:.2f} px), features spread "
             f"{epipolar.spread_px:.2f} px about that (limit {MAX_EPIPOLAR_SPREAD_PX:.2f} px)",
    ),)


def _pair_cause(kind: str, text: str) -> Cause:
    return Cause(kind=kind, at_m=0.0, demand=None, sigma=None, limit=None, unit="", text=text)


def _without_stereo(
    pair: StereoPair, rig: StereoRig, rover: RoverProfile, settings: Settings, intake: Intake,
    view: View,
) -> Assessment:
    missing = "left" if pair.left is None else "right"
    cause = _pair_cause("no stereo", f"no stereo: the {missing} picture is missing")
    verdicts = tuple(
        HeadingVerdict(heading_deg=h, verdict="ask-ground", clear_m=0.0, assumed_m=0.0,
                       causes=(cause,), probability=float("nan"), bounded=False)
        for h in settings.headings_deg
    )
    return Assessment(pair=pair, rig=rig, rover=rover, settings=settings, intake=intake,
                      view=view, verdicts=verdicts, suggestion=suggest(verdicts))
