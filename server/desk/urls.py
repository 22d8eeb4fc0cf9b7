"""The addresses of the studio's pages."""

from __future__ import annotations

from server.desk.pages import addresses
from server.desk.venues import VENUES

urlpatterns = [address for subject in (VENUES,) for address in addresses(subject)]
