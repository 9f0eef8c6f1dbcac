"""Those who are told: a web server of Python's own, and aiosmtpd for mails."""
import http.server
import json
import queue
import socket
import ssl
import threading

from aiosmtpd.controller import Controller


class Web:
    """Keeps each POST, and answers with what it is told to."""

    def __init__(self, certificate=None):
        outer = self
        self.posts, self.answer, self.hold = queue.Queue(), 204, None

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"]))
                outer.posts.put((self.path, self.headers, body))
                if outer.hold:
                    outer.hold.wait()
                self.send_response(outer.answer)
                self.send_header("Location", "/elsewhere")
                self.end_headers()

            def log_message(self, *_):
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        if certificate:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificate, certificate.with_suffix(".key"))
            self.server.socket = context.wrap_socket(self.server.socket, server_side=True)
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def next(self, seconds=60):
        """What was posted next: path, headers, and the body as JSON."""
        path, headers, body = self.posts.get(timeout=seconds)
        return path, headers, json.loads(body)

    def until(self, wanted, seconds=90):
        """The next post that is the wanted one."""
        while True:
            post = self.next(seconds)[2]
            if wanted(post):
                return post


class Mails:
    """A mail server; each mail with who it is from and for, as bytes."""

    def __init__(self):
        self.got = queue.Queue()
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.controller = Controller(self, hostname="127.0.0.1", port=self.port)
        self.controller.start()

    async def handle_DATA(self, server, session, envelope):
        self.got.put((envelope.mail_from, envelope.rcpt_tos, envelope.content))
        return "250 taken"

    def next(self, seconds=60):
        return self.got.get(timeout=seconds)
