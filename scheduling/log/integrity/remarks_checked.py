"""What people wrote, held against the log: each text against its digest, and each that is not there against the events
that say what was blotted out.

A log may rightly be without them: whoever exported it may have taken them out of the file. So what is missing is told,
and breaks nothing; what was changed does.
"""

from __future__ import annotations

from django.db.models import Q

from scheduling.log.event_records import scan
from scheduling.log.integrity.verify import BrokenLink
from scheduling.log.remarks import CHANGED_AFTERWARDS, KINDS_WITH_REMARKS, blotted_out, remark_in, remark_row


def missing_remarks(*, using: str = "default") -> list[int]:
    """Positions of the events whose remarks are not there, although no event says that they were blotted out.

    Raises:
        BrokenLink: names the first event at which the words are not those that were written.
    """
    gone, missing = blotted_out(using=using), []
    for line in scan(Q(kind__in=KINDS_WITH_REMARKS), using=using):
        digest = remark_in(line.fact().event)
        if digest is None:
            continue
        found = remark_row(digest, using=using)
        if found is None and digest not in gone:
            missing.append(line.position)
        if found is not None and not found.fits:
            raise BrokenLink(line, CHANGED_AFTERWARDS)
    return missing
