

# ---- put at the end by tests/interop/run ----
# What a server says of itself in CONNACK (MQTT 5) is its own; a debug build takes its time to start.
# The default is what the intake says: largest packet, no shared subscriptions, no subscription
# identifiers, receive maximum.
OURS = bytes.fromhex("27 00010900 2a00 2900 210014".replace(" ", ""))
_their_connack = gen_connack


def gen_connack(flags=0, rc=0, proto_ver=4, properties=b"", property_helper=True):
    if proto_ver == 5 and rc == 0 and property_helper and properties is not None:
        properties = mqtt5_props.prop_finalise(OURS + properties)
        return struct.pack("!BBBB", 32, 2 + len(properties), flags, rc) + properties
    return _their_connack(flags, rc, proto_ver, properties, property_helper)


def start_broker(filename, cmd=None, port=0, use_conf=False, expect_fail=False):
    if cmd is None:
        if port and not use_conf:
            cmd = ["../../src/mosquitto", "-p", str(port)]
        else:
            cmd = ["../../src/mosquitto", "-c", filename.replace(".py", ".conf")]
    broker = subprocess.Popen(cmd, stderr=subprocess.PIPE)
    for _ in range(600):
        try:
            socket.create_connection(("localhost", port or 1888)).close()
            return broker
        except ConnectionRefusedError:
            time.sleep(0.05)
    raise IOError("the server does not come up")
