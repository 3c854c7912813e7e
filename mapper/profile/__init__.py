"""The profile: one file that says what the controller has to know of a machine."""

from __future__ import annotations

from mapper.profile.layout import schema
from mapper.profile.messages import Message, ProfileError
from mapper.profile.profile import Profile
from mapper.profile.reader import read_profile

__all__ = ["Message", "Profile", "ProfileError", "read_profile", "schema"]
