"""Detectors: each says over, below, between or not to be seen; `monitor.live.alarm` makes alarms of it.

`silence` looks at packets four times a second, all others at closed seconds, so that all
instruments are judged on the same interval. `watch` joins them.
"""
