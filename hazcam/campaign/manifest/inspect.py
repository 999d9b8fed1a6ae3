"""Look through the pictures of a campaign before anything is assessed, and name what is odd."""

from __future__ import annotations

import hashlib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from hazcam.calibration import StereoRig, read_rig, rig_for
from hazcam.campaign.manifest.finding import (
    KINDS,
    Finding,
    Use,
    differing,
    no_attitude,
    onboard_words,
    same_bytes,
    side_by_side,
    stated_apart,
    turned,
)
from hazcam.campaign.manifest.look import (
    Looked,
    StereoLook,
    cannot,
    findings_of,
    in_order,
    look_at,
    reduced,
    reduction,
)
from hazcam.campaign.record import CampaignPair, Manifest
from hazcam.errors import HazcamError, PairError
from hazcam.imagery import Picture, read_picture
from hazcam.imagery.header import PictureHeader, read_header

Watched = Callable[[Sequence[Any]], Iterable[Any]]

_KEPT = 6  # reduced pictures: of a pair and its neighbours


def look_through(
    manifest: Manifest, names: Mapping[Path, str], watched: Watched
) -> list[Finding]:
    """What is odd about the pictures that a manifest names.

    Parameters
    ----------
    manifest : Manifest
        From ``read_manifest``, or checked likewise.
    names : mapping of Path to str
        Further pictures, which are in no row, with the names to call them by.
    watched : callable
        Hands on the items of a list while a bar counts them.

    Returns
    -------
    list of Finding
        By kind, in the order of ``KINDS``; bad rows among them.
    """
    found = [Finding(kind="cannot be used", where=bad.failure.id,
                     text=f"{bad.failure.where}: {bad.failure.found}; {bad.failure.remedy}")
             for bad in manifest.bad]
    found += [Finding(kind="label dropped", where=pair.id, text=pair.bad_label)
              for pair in manifest.pairs if pair.bad_label]
    found += _missing(manifest.pairs)
    found += onboard_words(pair.sidecar.details.get("onboard", {}).get("verdict")
                           for pair in manifest.pairs)
    headers = {path: read_header(path) for path in _pictures(manifest.pairs)}
    called = {**_called(headers), **names}
    others = {path: read_header(path) for path in names}
    found += turned({called[p]: h for p, h in {**headers, **others}.items()})
    found += same_bytes(_uses(manifest.pairs))
    for pair in manifest.pairs:
        found += differing(pair.id, *(headers.get(path) if path is not None else None
                                      for path in (pair.sidecar.left, pair.sidecar.right)))
        found += stated_apart(pair.id, pair.sidecar.details)
    found += no_attitude([p.id for p in manifest.pairs if p.sidecar.attitude is None])
    sequences: list[_Sequence] = []
    for rig_path, group in _by_rig(manifest.pairs).items():
        rig = read_rig(rig_path)
        found += side_by_side({called[p]: headers[p] for p in _pictures(group)}, rig.size)
        sequences.append(_Sequence(group, rig, headers))
    for sequence, i in watched([(s, i) for s in sequences for i in range(len(s))]):
        sequence.look(i)
    for sequence in sequences:
        found += sequence.findings()
    found += side_by_side({called[p]: h for p, h in others.items()}, None)
    return sorted(found, key=lambda finding: KINDS.index(finding.kind))


def _pictures(pairs: Iterable[CampaignPair]) -> list[Path]:
    """Each picture that is there, once, in their order."""
    paths = (path for pair in pairs for path in (pair.sidecar.left, pair.sidecar.right))
    return [path for path in dict.fromkeys(paths) if path is not None and path.exists()]


def _missing(pairs: Iterable[CampaignPair]) -> list[Finding]:
    """Pictures that sidecars lack; those of a folder of pictures are told as the folder is read."""
    return [Finding(kind="lone picture", where=pair.id,
                    text=f"its sidecar gives no {side} picture" if path is None else
                         f"{path.name}, its {side} picture, does not exist")
            for pair in pairs if pair.from_file
            for side, path in (("left", pair.sidecar.left), ("right", pair.sidecar.right))
            if path is None or not path.exists()]


def _called(paths: Iterable[Path]) -> dict[Path, str]:
    """The name of each file, with its folder where several have that name."""
    paths = list(paths)
    count = Counter(path.name for path in paths)
    return {path: path.name if count[path.name] == 1 else f"{path.parent.name}/{path.name}"
            for path in paths}


def _uses(pairs: Sequence[CampaignPair]) -> list[Use]:
    """The pictures of all rows, told apart by their bytes; only files of one size are read."""
    there = set(_pictures(pairs))
    sizes = {path: path.stat().st_size for path in there}
    alike = Counter(sizes.values())
    digests = {path: hashlib.sha256(path.read_bytes()).hexdigest() if alike[size] > 1
               else f"the only one of {size} bytes" for path, size in sizes.items()}
    return [Use(pair=pair.id, side=side, path=pair.given.get(side, path.name),
                digest=digests[path])
            for pair in pairs for side, path in (("left", pair.sidecar.left),
                                                 ("right", pair.sidecar.right))
            if path is not None and path in there]


def _by_rig(pairs: Iterable[CampaignPair]) -> dict[Path, list[CampaignPair]]:
    groups: dict[Path, list[CampaignPair]] = defaultdict(list)
    for pair in pairs:
        groups[pair.sidecar.rig].append(pair)
    return groups


class _Sequence:
    """The pairs of one rig in the order in which they were taken, and looks at them."""

    def __init__(
        self, pairs: Iterable[CampaignPair], rig: StereoRig,
        headers: Mapping[Path, PictureHeader | None],
    ) -> None:
        whole = (p for p in pairs if {p.sidecar.left, p.sidecar.right} <= set(headers))
        self._pairs = sorted(whole, key=lambda pair: in_order(_place(pair)))
        self._rig = rig
        self._read = lru_cache(maxsize=_KEPT)(_reduced)
        self._looked: list[Looked] = []
        self._failed: list[Finding] = []

    def __len__(self) -> int:
        return len(self._pairs)

    def look(self, i: int) -> None:
        """Look at pair i; they come in their order."""
        look = None
        try:
            look = self._look(i, i)
        except HazcamError as error:
            self._failed.append(cannot(self._pairs[i].id, error))
        self._looked.append(Looked(id=self._pairs[i].id, look=look))

    def findings(self) -> list[Finding]:
        """What is odd about the pairs, each on its own and in their order."""
        return self._failed + findings_of(self._looked, self._between)

    def _between(self, i: int, j: int) -> StereoLook | None:
        try:
            return self._look(i, j)
        except HazcamError:  # pictures that do not go together, for example of another window
            return None

    def _look(self, i: int, j: int) -> StereoLook:
        about, other = self._pairs[i].sidecar, self._pairs[j].sidecar
        assert about.left is not None  # only whole pairs are in the sequence
        assert other.right is not None
        left, right = self._read(about.left), self._read(other.right)
        # For the errors, which would else tell of the reduced sizes.
        if left.size != right.size:
            raise PairError(about.left.name, f"{_px(left.size)}, but {other.right.name} has "
                            f"{_px(right.size)}", "two pictures of one size",
                            "check that both are of this pair, as sent")
        rig_for(left.size, about.window, about.binning, self._rig, where=about.left.name)
        return look_at(left.reduced, right.reduced, left.k, about, self._rig)


def _px(size: tuple[int, int]) -> str:
    return f"{size[0]} x {size[1]} px"


def _place(pair: CampaignPair) -> str:
    """Where a pair is in the order of its sequence: folder and name."""
    return f"{pair.given.get('sidecar') or pair.given.get('left')}"


@dataclass(frozen=True, kw_only=True, eq=False)
class _Reduced:
    """A picture reduced by ``k``, and (width, height) that it had. [px]"""

    reduced: Picture
    k: int
    size: tuple[int, int]


def _reduced(path: Path) -> _Reduced:
    picture, _ = read_picture(path)
    size = picture.shape[1], picture.shape[0]
    k = reduction(size)
    return _Reduced(reduced=reduced(picture, k), k=k, size=size)
