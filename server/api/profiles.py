"""Profiles: models of machine in numbers."""

from __future__ import annotations

from machines.model.profile import Profile as MachineProfile
from scheduling.commands.orders import AddProfile
from scheduling.log.models import Profile
from server.api.base_views import Collection, Item
from server.api.serializers import Row, Stored


class ProfileRow(Row):
    """A profile."""

    profile = Stored(MachineProfile, source="data")

    class Meta:
        model = Profile
        fields = ("id", "profile")
        read_only_fields = fields


class Profiles(Collection):
    """The profiles, and adding one."""

    queryset = Profile.objects.all()
    serializer_class = ProfileRow
    command = AddProfile
    detail = "profile"


class OneProfile(Item):
    """A profile."""

    queryset = Profile.objects.all()
    serializer_class = ProfileRow
