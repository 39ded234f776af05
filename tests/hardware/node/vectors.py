"""Answer, in MicroPython, what the firmware makes of published frames; questions in plan.json, one answer."""

import json

import air
import ds18b20
import onewire
import sht4x
import timekeeper
from node import payload
from world import plan as asked

crc8 = onewire.OneWire(None).crc8
answers = {
    "sht4x_crc8": [sht4x.crc8(bytes.fromhex(word)) for word in asked["sht4x_crc8"]],
    "sht4x": [],
    "ds18b20": [],
    "dew_point_c": [air.dew_point_c(*pair) for pair in asked["dew_point_c"]],
    "payload": [payload(*one).decode() for one in asked["payload"]],
    "ntp_ms": [timekeeper.ntp_ms(bytes.fromhex(reply)) for reply in asked["ntp_ms"]],
    "epoch_s": [timekeeper.epoch_s(*date) for date in asked["epoch_s"]],
}
for words in asked["sht4x"]:
    frame = b""
    for word in words:
        data = bytes.fromhex(word)
        frame += data + bytes([sht4x.crc8(data)])
    answers["sht4x"].append(sht4x.hundredths(frame))
for word in asked["ds18b20"]:
    raw = bytes.fromhex(word)
    body = bytes([raw[1], raw[0], 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])
    try:
        answers["ds18b20"].append(ds18b20.hundredths(body + bytes([crc8(body)]), crc8))
    except ds18b20.ProbeError as error:
        answers["ds18b20"].append(str(error))
print(json.dumps(answers))
