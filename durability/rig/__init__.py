"""The rig's own health from reference drops: same dummy, same pad, so any change is the rig's.

A climbing peak g may come from a worn anvil, a loosening mount, an ageing sensor or a colder room.
Everything runs on the logarithm of peak g: a drift is a factor.
"""
