"""What `tipdatum new` says and writes."""

from __future__ import annotations

from collections.abc import Sequence

from tipdatum.cli.ports import Port

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
position_sigma_m = {position_sigma:g}
mount_rpy_deg = [{mount}]  # roll, pitch, yaw from the sensor's arrows to the body's
mount_sigma_deg = 2.0  # mounted by eye
latency_s = 0.010  # how old a reading is when it has come in
{unmeasured}"""

UNMEASURED = """\
unmeasured = [{keys}]  # guesses: measure them, change them, and take them out of this list
"""

SERVICE = """\
# Service file: which machine, where its readings come from, where the figures go. Run it with
#   tipdatum run {ident}.toml
# Figures are advisory, no safety device. Check the first elevation against a known mark before you dig.
machine = "{machine}"
machine_id = "{ident}"  # topics are tipdatum/{ident}/tip and so on

{tables}
# Without a host the broker that comes with tipdatum is used, on this computer only.
# [broker]
# host = "192.168.1.10"
# user = "digger"  # the password comes from password_file or TIPDATUM_BROKER_PASSWORD

# [recording]
# directory = "sessions"  # keep everything that comes in, within keep_mb
"""

_TABLES = """\
# Where readings come from; one table a driver. Which one? Ask the line itself; it shows live readings, and
# prints the table to copy with every key:
#   tipdatum sniff {port}
#   tipdatum sniff {port} --ask modbus     (or --ask can: lines that are silent until they are spoken to)
# {found}
# Or take the marks off one of these. Sensors are called as in the machine file; every key of every kind is in
# config/services/lines.toml of the sources.

# [[driver]]  # firmware of your own: packets
# kind = "packets"
# port = "{port}"
# sensor = {{ upper = 0, boom = 1, stick = 2, bucket = 3 }}  # name = number in the packets
# input = {{ travel = 0 }}  # name = bit; the travel switch

# [[driver]]  # a 0x55 IMU module, a table for each
# kind = "imu-55"
# port = "{port}"
# baud = 115200
# sensor = "boom"
# content = "imu"
# even_hz = 100  # as the module is set

# [[driver]]  # Modbus parts on an RS-485 line
# kind = "modbus-rtu"
# port = "{port}"
# baud = 19200
# parity = "even"
# [driver.sensor.boom]  # one for each part
# address = 1
# function = 3
# pitch = 0  # registers
# roll = 1
# scale = 0.01  # degrees of one count

# [[driver]]  # NMEA 0183
# kind = "nmea-xdr"
# port = "{port}"
# baud = 4800
# [driver.sensor.upper]
# pitch = "PTCH"
# roll = "ROLL"

# [[driver]]  # CAN inclinometers behind an SLCAN adapter, on a bus of your own
# kind = "slcan"
# port = "{port}"
# bitrate_kbps = 250
# listen_only = true
# [driver.sensor.boom]
# protocol = "cia410"
# address = 10

# [[driver]]  # lines of text
# kind = "text-lines"
# port = "{port}"
# baud = 115200
# format = "csv"
# [driver.sensor.boom]
# pitch = 1  # columns, from 1
# roll = 2

# [[driver]]  # switches on the control pins of a serial port
# kind = "contacts"
# port = "{port}"
# [driver.input.travel]
# pin = "cts"

# [[driver]]  # a recorded session instead of a machine
# kind = "replay"
# file = "dig.ndjson.gz"
"""


def driver_tables(ports: Sequence[Port]) -> str:
    """Ready-made driver tables, commented out, with the ports that are there."""
    names = [port.stable or port.device for port in ports]
    if names:
        told = [f"{name} ({port.what})" for name, port in zip(names, ports, strict=True)]
        found = "Connected when this was written: " + ", ".join(told) + "."
    else:
        found = "No serial port was connected when this was written; tipdatum ports lists them."
    return _TABLES.format(port=names[0] if names else "/dev/serial/by-id/usb-…", found=found)


ANSWERS = """\
# Answers for `tipdatum new FOLDER --answers FILE`. What is left out is asked for at a terminal; elsewhere it
# takes the default that stands here behind a #, and what has none is refused. Lengths as on your
# tape: "4.60", "4600 mm", "15 ft 1 1/4 in"; a number alone is metres. From pin centre to pin centre.
# name = "My excavator"
# machine_id = "my-excavator"  # from the name
foot = "0.35, 0, 1.75"  # boom foot pin: forward of slew axis, left, above the tracks' underside; no default
boom = "4.60"  # foot pin to stick pin; no default
stick = "2.50"  # boom pin to bucket pin; no default
# bucket_name = "trenching 600"
tip = "1.30"  # bucket pin to the middle of the cutting edge; no default
width = "0.60"  # of the cutting edge; no default
# joints = "none"  # or some of "second_boom, boom_swing, tilt, coupler", each with its measures:
# second_boom = "2.10"  # pin at the boom's end to boom-stick pin
# boom_swing = "0.15, 0.0"  # the swing's axis: forward of the slew axis, left
# swing_told = "encoder"  # or "gyros" of upper and boom, or "held": always straight ahead
# coupler = "0.34"  # pin of the stick to pin of the bucket
# coupler_deg = "118"  # degrees from that line to the bucket's second pin
# pins_deg = "136"  # of the bucket: degrees from the line pin-tip to its second pin
# tilts = "bucket"  # or "coupler", where there is one
# tilt_axis = "0.18, 0.15"  # a point of it: from the bucket pin towards the tip, off that line; of a coupler
# tilt_deg = "128"  # that tilts from the stick's pin towards the bucket's. Degrees from that line to the axis
# slew_sensor = "no"  # or "yes": a sensor tells how far the upper is slewed
# fourth = "bucket"  # or "rocker", "coupler": where the bucket's sensor sits; with the rocker also:
# linkage = "0.35, 0.02, 0.60, 0.55, 0.39"  # pivot back from bucket pin, off the pin line, rocker, link, ear
# ear_angle = "136"  # degrees from the line bucket pin-tip to the line bucket pin-link pin

# Where each sensor sits, and where its x and z arrow point with the arm thought stretched out level. What is
# left out is a guess: the machine file marks it as unmeasured, and `tipdatum check` names it.
# [sensor.upper]  # forward of the slew axis, left, above the tracks' underside
# position = "-0.5, 0.3, 1.6"
# arrows = "along up"
# [sensor.boom]  # along the boom from its foot pin, left, above the pin line
# position = "1.7, 0.1, 0.25"
# arrows = "along up"
# [sensor.second_boom]  # along the second boom from its lower pin, left, above the pin line
# position = "1.2, 0.1, 0.2"
# arrows = "along up"
# [sensor.stick]  # along the stick from its upper pin, left, off the pin line
# position = "1.2, 0.15, 0.2"
# arrows = "along up"
# [sensor.bucket]  # from the bucket pin towards the tip, left, off that line
# position = "0.15, 0.2, 0.25"
# arrows = "along up"
# [sensor.coupler]  # from the stick's pin towards the bucket's, left, off that line
# position = "0.15, 0.1, 0.1"
# arrows = "along up"
"""
