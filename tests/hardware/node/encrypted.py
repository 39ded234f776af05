"""Publish one reading over TLS with a password, and say how that went."""

import json

from mqtt import Mqtt, MqttError
from secure import wrapper

with open("plan.json") as file:
    plan = json.loads(file.read())
try:
    link = Mqtt("localhost", plan["port"], wrapper(plan["ca_file"]))
    link.connect("keel-node", "keel-node", plan["password"], "tunnel/keel/status", b"offline", 60)
    number = link.publish("tunnel/keel/node", plan["message"].encode())
    while link.acknowledged() != number:
        pass
    link.ping()
    link.close(goodbye=True)
    print(json.dumps("kept"))
except (MqttError, OSError, ValueError) as error:
    print(json.dumps(str(error)))
