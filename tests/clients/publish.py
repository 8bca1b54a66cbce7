"""Publishes with a foreign client and says which messages were acknowledged.

Reads lines of JSON: {"topic", "payload" or "base64", "qos"}. Says "ready" once connected, the
number of each message (from 0) once it is acknowledged as its QoS has it, and ends well when
all are. With --persistent it keeps its session over broken connections, connects again, and
sends again what was not acknowledged, as the protocol has it.
"""

import argparse
import base64
import json
import sys
import threading

import paho.mqtt.client as mqtt

parser = argparse.ArgumentParser()
parser.add_argument("--port", type=int, required=True)
parser.add_argument("--version", choices=["311", "5"], default="311")
parser.add_argument("--id", default="")
parser.add_argument("--user")
parser.add_argument("--password")
parser.add_argument("--persistent", action="store_true")
parser.add_argument("--window", type=int, default=20)
arguments = parser.parse_args()

five = arguments.version == "5"


class Client(mqtt.Client):
    """Mends what paho 2.1.0 gets wrong: a message that was released already (QoS 2) it sends as
    if new, without DUP, when it needs more than one try to connect again."""

    def _messages_reconnect_reset_out(self):
        released = [m for m in self._out_messages.values() if m.state == mqtt.mqtt_ms_resend_pubrel]
        super()._messages_reconnect_reset_out()
        for message in released:
            message.state = mqtt.mqtt_ms_resend_pubrel


client = Client(
    mqtt.CallbackAPIVersion.VERSION2,
    client_id=arguments.id,
    protocol=mqtt.MQTTv5 if five else mqtt.MQTTv311,
    clean_session=None if five else not arguments.persistent,
)
if arguments.user:
    client.username_pw_set(arguments.user, arguments.password)
client.max_inflight_messages_set(arguments.window)
client.max_queued_messages_set(0)
client.reconnect_delay_set(0.05, 0.2)

# Messages not acknowledged yet, at most. After a broken connection paho sends all it has at once,
# whatever its window.
AHEAD = 200

lock = threading.Condition()
number_of = {}
early = set()
waiting = set()
connected = threading.Event()


def on_connect(client, userdata, flags, reason, properties):
    if reason.is_failure:
        print(f"refused: {reason}", file=sys.stderr)
    else:
        connected.set()


def say(number):
    print(number, flush=True)
    waiting.discard(number)
    lock.notify_all()


def on_publish(client, userdata, mid, reason, properties):
    if five and reason.is_failure:
        print(f"not taken: {reason}", file=sys.stderr)
        return
    with lock:
        # The answer may come before publish() has told the message's id.
        if mid in number_of:
            say(number_of.pop(mid))
        else:
            early.add(mid)


client.on_connect = on_connect
client.on_publish = on_publish
options = {}
if five:
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3600 if arguments.persistent else 0
    options = {"clean_start": not arguments.persistent, "properties": properties}
client.connect("127.0.0.1", arguments.port, **options)
client.loop_start()
if not connected.wait(30):
    sys.exit("not connected")
print("ready", flush=True)

for number, line in enumerate(sys.stdin):
    message = json.loads(line)
    payload = base64.b64decode(message["base64"]) if "base64" in message else message["payload"]
    with lock:
        lock.wait_for(lambda: len(waiting) < AHEAD)
        waiting.add(number)
    info = client.publish(message["topic"], payload, message["qos"])
    with lock:
        if info.mid in early:
            early.discard(info.mid)
            say(number)
        else:
            number_of[info.mid] = number

with lock:
    lock.wait_for(lambda: not waiting)
client.disconnect()
client.loop_stop()
