"""A mail server with STARTTLS for tests: one JSON line on stdout for each mail that it has taken."""
import asyncio, json, ssl, sys
from email import message_from_bytes, policy
from aiosmtpd.smtp import SMTP, AuthResult


class Taker:
    async def handle_DATA(self, server, session, envelope):
        mail = message_from_bytes(envelope.content, policy=policy.default)
        print(json.dumps({
            "id": mail["Message-ID"], "references": mail["References"], "subject": mail["Subject"],
            "to": envelope.rcpt_tos, "tls": session.ssl is not None, "text": mail.get_content(),
        }), flush=True)
        return "250 taken"


def let_in(server, session, envelope, mechanism, data):
    return AuthResult(success=data.login == b"booth" and data.password == b"s3cret-mail")


async def main(port, certificate, key):
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(certificate, key)
    loop = asyncio.get_running_loop()
    make = lambda: SMTP(Taker(), tls_context=context, require_starttls=True, auth_required=True, authenticator=let_in)
    server = await loop.create_server(make, "127.0.0.1", port)
    print(json.dumps({"ready": True}), flush=True)
    await server.serve_forever()

asyncio.run(main(int(sys.argv[1]), sys.argv[2], sys.argv[3]))
