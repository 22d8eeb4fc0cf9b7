"""What is shown of a row, of the resources that have no module of their own."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404

from machines.imaging.dot_gain import ToneCurve
from machines.imaging.pictures import Picture
from machines.model.profile import Profile as MachineProfile
from scheduling.log.models import Notice, Opening, OpeningSeries, Profile, Source
from server.api.base_views import List
from server.api.serializers import MaybeObject, Row, Stored, Written


class ProfileRow(Row):
    """A profile by its newest version; ``retired_at`` is null while it is used."""

    profile = Stored(MachineProfile, source="data")

    class Meta:
        model = Profile
        fields = ("id", "profile", "version", "retired_at")


class SourceRow(Row):
    """A source by its newest version; ``retired_at`` is null while it is used."""

    picture = Stored(Picture)
    curve = Stored(ToneCurve | None)

    class Meta:
        model = Source
        fields = ("id", "name", "picture", "upload", "method", "curve", "version", "retired_at")


class OpeningRow(Row):
    """An opening. ``closes_at`` is null where nobody said when it is over, ``called_off_at`` while it stands,
    ``series`` where it is of none; ``on_its_own`` says that it follows its series no more."""

    closing = MaybeObject(read_only=True)
    called_off_because = Written(None, "called_off_remark")

    class Meta:
        model = Opening
        fields = (
            "id",
            "venue",
            "name",
            "anchor",
            "opens_at",
            "closing",
            "closes_at",
            "called_off_at",
            "called_off_because",
            "series",
            "series_date",
            "on_its_own",
        )


class OpeningSeriesRow(Row):
    """A series of openings. ``rule`` is null where it is once, ``called_off_at`` while it stands."""

    venues = Stored(list[str])
    dates_off = Stored(list[str])
    closing = MaybeObject(read_only=True)
    called_off_because = Written(None, "called_off_remark")

    class Meta:
        model = OpeningSeries
        fields = (
            "id",
            "name",
            "venues",
            "together",
            "anchor",
            "closing",
            "rule",
            "dates_off",
            "called_off_at",
            "called_off_because",
        )


class OpeningsOfSeries(List):
    """The openings of a series, called off or not, in order of their ids."""

    queryset = Opening.objects.all()
    serializer_class = OpeningRow

    def get_queryset(self) -> Any:
        """Its own."""
        get_object_or_404(OpeningSeries, pk=self.kwargs["pk"])
        return super().get_queryset().filter(series=self.kwargs["pk"])


class NoticeRow(Row):
    """A notice; open until ``cleared_at``."""

    class Meta:
        model = Notice
        fields = ("id", "machine", "kind", "said", "opening", "raised_at", "cleared_at")
