"""What `plan` says to a script.

May not ask anything, and may not change the name or meaning of a field that was ever there.
"""

from __future__ import annotations

from collections.abc import Mapping

from replicatord.cli.plan_facts import DrivePlan, Plan, ShelfPlan
from replicatord.log.times import path_fields


def fields_of(plan: Plan, *, has_list: bool) -> dict[str, object]:
    """Give the answer as JSON has it, with every path when `has_list`."""
    looked = plan.looked
    answer: dict[str, object] = {
        "new_files": looked.files,
        "new_bytes": looked.size_bytes,
        "not_readable": looked.unreadable,
        "held": list(plan.held),
        "at_most": looked.files > 0,
        "uplink_bits_per_s": plan.uplink_bits_per_s,
        "drives": [_drive_fields(drive) for drive in plan.drives],
        "shelves": [_shelf_fields(shelf) for shelf in plan.shelves],
    }
    if has_list:
        answer["copies"] = [
            {
                "drive": item.drive,
                "tier": item.tier,
                **path_fields("path", item.path),
                "bytes": item.size_bytes,
            }
            for item in plan.work
        ]
    return answer


def _drive_fields(plan: DrivePlan) -> dict[str, object]:
    return {
        "drive": plan.drive.name,
        "shelf": plan.drive.shelf_name,
        "files": plan.files,
        "bytes": plan.size_bytes,
        "tiers": {
            tier: {"files": count, "bytes": size, "seconds": plan.seconds(size)}
            for tier, (count, size) in plan.tiers.items()
        },
        "bytes_per_s": plan.bytes_per_s,
        "seconds": plan.seconds(plan.size_bytes),
        "upload_seconds": plan.upload_s,
        "room_bytes": plan.room.room_bytes,
        "room_known_from": plan.room.known_from.value,
        "limit_bytes": plan.drive.limit_bytes,
        "short_bytes": plan.short_bytes,
        "not_here": plan.room.not_here,
        "surveyed": {"files": plan.surveyed[0], "bytes": plan.surveyed[1]},
    }


def _shelf_fields(plan: ShelfPlan) -> dict[str, object]:
    return {
        "shelf": plan.name,
        "drives": [drive.drive.name for drive in plan.drives],
        "files": plan.files,
        "bytes": plan.size_bytes,
        "tiers": _tier_fields(plan.tiers),
        "seconds": plan.seconds,
        "room_bytes": plan.room_bytes,
        "short_bytes": plan.short_bytes,
    }


def _tier_fields(tiers: Mapping[str, tuple[int, int]]) -> dict[str, dict[str, int]]:
    return {tier: {"files": count, "bytes": size} for tier, (count, size) in tiers.items()}
