"""What holds for all tests."""

import hypothesis

# A slow machine is no failure: no test is judged by its time.
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")
