"""Takes mail on 127.0.0.1 and says each one as a line of JSON. Arguments: the port; if
only one user may send, that user and the password."""

import email
import email.policy
import json
import signal
import sys

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult


class Taker:
    async def handle_DATA(self, server, session, envelope):
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        body = message.get_body(("plain",))
        print(
            json.dumps(
                {
                    "from": envelope.mail_from,
                    "to": envelope.rcpt_tos,
                    "subject": str(message["subject"]),
                    "message_id": str(message["message-id"]),
                    "text": body.get_content() if body else "",
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
