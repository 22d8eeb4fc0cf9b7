"""Which snapshot an answer can begin from, and what has to be looked through after it."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from itertools import chain

from django.db.models import Q

from scheduling.log.models import Snapshot
from scheduling.log.moment import AsOf
from scheduling.log.recorded import Recorded
from scheduling.log.snapshots.program import program
from scheduling.log.snapshots.scopes import Scope


def newest_usable(scope: Scope, moment: AsOf, using: str) -> Snapshot | None:
    """The newest snapshot of which all that it holds counts; None for none."""
    ours = Snapshot.objects.using(using).filter(scope=scope.name, program=program())
    return ours.filter(moment.where("happened_by", "said_by")).order_by("-place").first()


def stands(snapshot: Snapshot, using: str) -> bool:
    """Whether a snapshot was not dropped meanwhile: if so, what was read of its parts may have been gone already."""
    return Snapshot.objects.using(using).filter(id=snapshot.id).exists()


def facts_after(
    snapshot: Snapshot, scope: Scope, moment: AsOf, kinds: Collection[str], using: str
) -> Iterator[Recorded]:
    """The facts after a snapshot that count, in order; where a later snapshot says that none does, none is read."""
    spans = _spans(snapshot, moment, using)
    return chain.from_iterable(
        scope.facts(moment.counts_of_few, kinds, after=after, through=through, using=using) for after, through in spans
    )


def _spans(snapshot: Snapshot, moment: AsOf, using: str) -> list[tuple[int, int | None]]:
    """Where facts may count, after each first place and through the second; through the last of all for None."""
    later = Snapshot.objects.using(using).filter(
        scope=snapshot.scope, program=snapshot.program, place__gt=snapshot.place
    )
    newest = later.order_by("-place").values_list("place", flat=True).first() or snapshot.place
    some_count = ~Q(happened_from=None) & moment.where("happened_from", "said_from")
    held = later.filter(some_count, place__lte=newest).order_by("place").values_list("since", "place")
    spans: list[tuple[int, int | None]] = []
    for since, place in held:
        if spans and spans[-1][1] == since:
            spans[-1] = (spans[-1][0], place)
        else:
            spans.append((since, place))
    if spans and spans[-1][1] == newest:
        spans[-1] = (spans[-1][0], None)
    else:
        spans.append((newest, None))
    return spans
