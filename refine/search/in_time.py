"""Key poses of a control that stand a frame beside the one that they were set for: back there, whatever the strength.

Until a pose is back, its values look off in every channel, and so would be changed to what it has a frame away.
"""

from __future__ import annotations

from dataclasses import replace

from refine.held import MEANT_POSES, meant
from refine.pose_time import Strayed, keyed, strayed_poses, with_pose_moved
from refine.search.work import INVISIBLE, Work
from refine.shot import Shot


def put_back(work: Work, name: str) -> None:
    """Puts the poses of a control in the range back that may go and show; `strayed` are the others from then on."""
    poses, begun = strayed_poses(work.given.book, work.shot.control(name), work.shot.loop), work.shot
    work.strayed[name] = [pose for pose in poses if not _moved(work, name, pose)]
    if work.shot is not begun:
        work.given = replace(work.given, book=work.given.book.after(work.shot))


def _moved(work: Work, name: str, pose: Strayed) -> bool:
    first, last = work.locks.frames
    marks = meant(work.shot, name, MEANT_POSES)
    if not first <= pose.frame <= last or any(m.frames[0] <= pose.frame <= m.frames[1] for m in marks):
        return False
    why = f"{name}: {pose}"
    after = with_pose_moved(work.shot, work.shot.control(name), pose.frame, pose.step, work.locks)
    if after is None:
        work.blocked.append(f"{why}, but {_held(work, name, pose)}")
        return False
    if not work.seen(name, after, work.shot, work.posed):
        work.untaken.append(f"{why}: moving it there moves nothing on screen by {INVISIBLE:g} px")
        return False
    _widen_usable(work, name, pose, after)
    whole = "" if work.request.strength >= 1 else "; it goes back whole, since keys stand on whole frames"
    work.take(after, name, (), f"{why}{whole}")
    return True


def _held(work: Work, name: str, pose: Strayed) -> str:
    """What keeps a pose where it is."""
    for channel, keys in keyed(work.shot.control(name)):
        k = keys.index(pose.frame)
        if k is not None:
            reasons = work.locks.blocked(name, channel.name, keys)
            if k in reasons:
                return reasons[k]
    return f"a pin or an accent beside it holds what moving it to {pose.set_for:g} would move"


def _widen_usable(work: Work, name: str, pose: Strayed, after: Shot) -> None:
    """What lies between the keys beside the pose may move."""
    for _, keys in keyed(after.control(name)):
        k = keys.index(pose.set_for)
        if k is not None:
            first, last = work.locks.influence(keys)
            work.widen_usable((float(first[k]), float(last[k])))
