"""What all tests share: properties are searched without a deadline, for a busy machine is no fault."""

from hypothesis import settings

settings.register_profile("busy machine", deadline=None)
settings.load_profile("busy machine")
