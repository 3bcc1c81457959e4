"""What `tipdatum new` says and writes."""

from __future__ import annotations

GREETING = """\
Lengths as on your tape: 4.60, 4600 mm, 15 ft 1 1/4 in. A number alone is metres. Measure from pin centre to
pin centre. Half a centimetre is good enough to begin with; a calibration finds the rest.
"""

MACHINE = """\
# Machine description, measured with a tape. Lengths are metres from pin centre to pin centre, angles degrees.
# Frames and signs are explained in the conventions. "tipdatum check" says all this in words.
name = "{name}"

[boom]
foot_m = [{x:g}, {y:g}, {z:g}]  # boom foot pin: forward of the slew axis, left, above the tracks' underside
foot_sigma_m = 0.01  # how far off a tape usually is (1 sigma); a calibration writes better figures
length_m = {boom:g}  # boom foot pin to boom–stick pin
length_sigma_m = 0.005

[stick]
length_m = {stick:g}  # boom–stick pin to stick–bucket pin
length_sigma_m = 0.005

[[bucket]]  # a table for each bucket there is, the mounted one first
name = "{bucket}"
tip_m = {tip:g}  # bucket pin to the middle of the cutting edge
tip_sigma_m = 0.005
width_m = {width:g}  # width of the cutting edge
"""

LINKAGE = """\
[linkage]  # the four-bar from the rocker, which carries a sensor, to the bucket
rocker_pivot_m = [{x:g}, {z:g}]  # along the stick from its upper pin, and off the pin line
rocker_m = {rocker:g}  # rocker pivot to rocker–link pin
link_m = {link:g}  # rocker–link pin to link–bucket pin
bucket_ear_m = {ear:g}  # bucket pin to link–bucket pin
bucket_ear_angle_deg = {angle:g}  # from the line bucket pin–tip to that pin
assembly = 1  # -1 if the linkage is folded the other way: the bucket's angle is then plainly wrong
"""

SENSOR = """\
[sensor.{body}]
body = "{body}"
position_m = [{position}]  # {where}
position_sigma_m = 0.03
mount_rpy_deg = [{mount}]  # roll, pitch, yaw from the sensor's arrows to the body's
mount_sigma_deg = 2.0  # mounted by eye
latency_s = 0.010  # how old a reading is when it has come in
"""

SERVICE = """\
# Service file: which machine, where its readings come from, where the figures go. Run it with
#   tipdatum run {ident}.toml
# Figures are advisory, no safety device. Check the first elevation against a known mark before you dig.
machine = "{machine}"
machine_id = "{ident}"  # topics are tipdatum/{ident}/tip and so on

# Where readings come from; one table a driver. A recorded session, to begin with:
# [[driver]]
# kind = "replay"
# file = "dig.ndjson.gz"

# Without a host the broker that comes with tipdatum is used, on this computer only.
# [broker]
# host = "192.168.1.10"
# user = "digger"  # the password comes from password_file or TIPDATUM_BROKER_PASSWORD

# [recording]
# directory = "sessions"  # keep everything that comes in, within keep_mb
"""
