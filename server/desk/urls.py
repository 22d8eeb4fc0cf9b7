"""The addresses of the studio's pages."""

from __future__ import annotations

from server.desk.pages import addresses
from server.desk.venues import VENUES

SUBJECTS = (VENUES,)

urlpatterns = [address for subject in SUBJECTS for address in addresses(subject)]
