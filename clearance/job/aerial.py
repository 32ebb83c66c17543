"""Owns an insulating aerial device in a stage: its chain of joints, and the bodies that ride on it.

The chain: a turret turns about an upright axis, the boom is raised about its hinge, the extension slides out of it,
and the platform at its tip is turned back by as much as the boom is raised: it stays level. Chassis, boom and the metal
part of the extension are earth; the platform counts as conductive throughout, and goes where its worker goes: bonded
with the worker, or floating.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from clearance import shapes
from clearance.bodies import Body, crew, solid
from clearance.motion import Joint, Link
from clearance.scene import records, statements
from clearance.scene.assemble import EARTH, Site, on_ground
from clearance.scene.naming import piece_name
from clearance.scene.records import AerialDevice, Stage, device_names

Box = Mapping[str, tuple[float, float]]

PARAMETERS = ("turret_deg", "boom_deg", "extend_m")

PIECE_M = 0.5
"""[m] Pieces of the insulating boom that decide which limit a line near them earns."""


def device_in(site: Site, stage: Stage) -> AerialDevice | None:
    """The device of the scene where the stage states how it stands."""
    device = site.scene.aerial_device
    return device if device is not None and stage.extend_m is not None and not _absent(site, stage) else None


def _absent(site: Site, stage: Stage) -> bool:
    device = site.scene.aerial_device
    return device is not None and device.name in statements.absent(site.scene, stage)


def links(site: Site, device: AerialDevice, made: Mapping[str, Joint]) -> list[Link]:
    """The device's links, ground outward; made: the joints of its parameters, and what turns the platform back."""
    x, y, z = on_ground(site.ground, device.base_m)
    hinge = Joint("fixed", translation=np.array([x, y, z + device.turret_m]))
    end = Joint("fixed", translation=np.array([device.boom_m, 0.0, 0.0]))
    standing = Joint("fixed", translation=np.array([device.ahead_m, 0.0, -device.drop_m]))
    return [
        Link("turret", None, (hinge, made["turret_deg"])),
        Link("boom", "turret", (made["boom_deg"],)),
        Link("extension", "boom", (end, made["extend_m"])),
        Link("platform", "extension", (made["back"], standing)),
        Link("worker", "platform", ()),
    ]


def chassis(site: Site, device: AerialDevice) -> Body:
    """Chassis and turret post, which stand still."""
    x, y, z = on_ground(site.ground, device.base_m)
    length, wide, high = device.chassis_m
    block = crew.vehicle((x, y, z + 0.5 * high), (length, wide, high), device.chassis_deg, z)
    post = shapes.segments([[x, y, z]], [[x, y, z + device.turret_m]], device.boom_radius_m)
    return Body(device_names(device.name)[1], "vehicle", shapes.join([block, post]), job=True)


def bodies(site: Site, stage: Stage, hull: str) -> Iterator[Body]:
    """Everything of the device in a stage; hull: the kind of pieces that decide a limit."""
    device = site.scene.aerial_device
    if device is None or _absent(site, stage):
        return
    yield chassis(site, device)
    if device_in(site, stage) is None:
        return
    _, _, boom, extension, insulating, platform = device_names(device.name)
    radius, uncertainty = device.boom_radius_m, device.bending_m
    yield Body(
        boom, "boom", shapes.segments([[0, 0, 0]], [[device.boom_m, 0, 0]], radius, uncertainty), job=True, link="boom"
    )
    start, stop = -device.tip_m - device.insulating_m, -device.tip_m
    # Metal of the extension: from where it is at the latest inside the boom to its insulating part.
    inner = min(-device.extend_m.hi, start)
    yield Body(
        extension, "boom", shapes.segments([[inner, 0, 0]], [[start, 0, 0]], radius, uncertainty), job=True,
        link="extension",
    )  # fmt: skip
    shape = shapes.segments([[start, 0, 0]], [[stop, 0, 0]], radius, uncertainty)
    yield Body(insulating, "insulating boom", shape, conductive=False, potential=None, job=True, link="extension")
    count = max(1, math.ceil(device.insulating_m / PIECE_M - 1e-9))
    for k in range(count):
        low, high = (start + device.insulating_m * part / count for part in (k, k + 1))
        piece = shapes.segments([[low, 0, 0]], [[high, 0, 0]], radius, uncertainty)
        name = piece_name(insulating, low - start, high - start)
        yield Body(name, hull, piece, conductive=False, potential=None, job=True, link="extension")
    length, wide, high = device.platform_m
    walls = solid.box((0.0, 0.0, 0.5 * high), (length, wide, high), uncertainty_m=uncertainty)
    arm = shapes.segments(
        [[-device.ahead_m, 0, device.drop_m]], [[0, 0, min(high, device.drop_m)]], radius, uncertainty
    )
    # The tip lies along the boom, which the platform does not follow: a ball about its end holds it.
    ball = shapes.points([[-device.ahead_m, 0, device.drop_m]], device.tip_m + radius, uncertainty)
    shape = shapes.join([walls, arm, ball])
    potential, states = _as_worker(site, stage)
    note = "conductive, bonded with whoever stands on it"
    yield Body(platform, "fitting", shape, potential=potential, job=True, link="platform", states=states, note=note)


def _as_worker(site: Site, stage: Stage) -> tuple[str | None, tuple[tuple[str, str | None], ...]]:
    """The platform's potential and states: those of the worker on it; with nobody on it, it floats."""
    for name in records.aloft(site.scene, stage):
        if name in stage.bonded:
            lost = "not yet bonded" if stage.kind == "bond on" else "bond lost"
            return stage.bonded[name], ((lost, None),)
        if stage.kind in records.AT_FOOT:
            return EARTH, (("off the ground", None),)
    return None, ()
