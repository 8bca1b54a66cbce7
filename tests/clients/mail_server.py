"""Takes mail on 127.0.0.1 and says each one as a line of JSON: who, what, its parts as they are nested,
its words and HTML, and its pictures as Pillow reads them. Arguments: the port; if
only one user may send, that user and the password."""

import base64
import email
import email.policy
import io
import json
import signal
import sys

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult
from PIL import Image


def shape(part):
    kind = part.get_content_type()
    return [kind, *map(shape, part.iter_parts())] if part.is_multipart() else kind


def pictures(message):
    for part in message.walk():
        if part.get_content_maintype() != "image":
            continue
        content = part.get_content()
        with Image.open(io.BytesIO(content)) as picture:
            picture.load()
            yield {
                "id": part["content-id"],
                "disposition": part.get_content_disposition(),
                "format": picture.format,
                "width": picture.width,
                "height": picture.height,
                "colours": len(picture.convert("RGB").getcolors(1 << 24)),
                "base64": base64.b64encode(content).decode(),
            }


class Taker:
    async def handle_DATA(self, server, session, envelope):
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        body = message.get_body(("plain",))
        html = message.get_body(("html",))
        print(
            json.dumps(
                {
                    "from": envelope.mail_from,
                    "to": envelope.rcpt_tos,
                    "subject": str(message["subject"]),
                    "message_id": str(message["message-id"]),
                    "text": body.get_content() if body else "",
                    "html": html.get_content() if html else "",
                    "headers": sorted(message.keys()),
                    "shape": shape(message),
                    "longest_line": max(map(len, envelope.content.splitlines())),
                    "pictures": list(pictures(message)),
                    "defects": [str(defect) for part in message.walk() for defect in part.defects],
                }
            )
        )
        return "250 taken"


def known(server, session, envelope, mechanism, data):
    login = [data.login.decode(), data.password.decode()]
    # Not handled: it is for the server to answer 535.
    return AuthResult(success=login == sys.argv[2:], handled=False)


login = {}
if len(sys.argv) > 2:
    login = {"authenticator": known, "auth_required": True, "auth_require_tls": False}
controller = Controller(Taker(), hostname="127.0.0.1", port=int(sys.argv[1]), **login)
controller.start()
print("ready")
signal.sigwait({signal.SIGTERM, signal.SIGINT})
controller.stop()
