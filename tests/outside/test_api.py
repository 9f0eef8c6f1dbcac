"""The lists for programs: their description judged by a validator of OpenAPI, every answer by a validator of JSON Schema,
and each the same as the command's."""
import json
import subprocess
import urllib.error
import urllib.request

import jsonschema
import pytest
from openapi_spec_validator import validate

from conftest import WICKLINE, ask
from test_pages import Lab

HOSTILE = "<b>\u202egnihton"


class Asker:
    """A program with a token, or without."""

    def __init__(self, lab, token=None):
        self.url, self.token = lab.url, token

    def ask(self, path, body=None):
        headers = {} if self.token is None else {"Authorization": f"Bearer {self.token}"}
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(self.url + path, data=data, headers=headers)
        try:
            with urllib.request.urlopen(request, timeout=20) as answer:
                return answer.status, answer.read()
        except urllib.error.HTTPError as error:
            return error.code, error.read()


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    lab = Lab(tmp_path_factory.mktemp("api"), more='[[care]]\nname = "Platform"\nevery = "day"\n')
    lab.strips("KP-20406", "", "KP-20407")
    lab.strips(HOSTILE)
    yield lab
    lab.daemon.stop()


def token(lab, name, role):
    return Asker(lab, ask(lab.config, "user", "token", name, "--role", role)["token"])


def judged(description, schema, value):
    whole = {"$ref": schema["$ref"], "components": description["components"]}
    jsonschema.Draft202012Validator(whole, format_checker=jsonschema.FormatChecker()).validate(value)


def test_the_description_is_valid_and_every_answer_is_as_it_says(lab):
    keeper = token(lab, "the night", "keeper")
    code, text = keeper.ask("/api/openapi.json")
    description = json.loads(text)
    assert code == 200
    validate(description)
    filled = {"/api/report/{n}": "/api/report/1", "/api/day/{date}": "/api/day/2026-03-14",
              "/api/controls/review/{month}": "/api/controls/review/2026-03",
              "/api/controls/positivity/{month}": "/api/controls/positivity/2026-03"}
    for path, acts in description["paths"].items():
        way, act = next(iter(acts.items()))
        code, text = keeper.ask(filled.get(path, path), {"text": "KP-20406"} if way == "post" else None)
        assert code == 200, (path, text)
        schema = act["responses"]["200"]["content"]["application/json"]["schema"]
        value = json.loads(text)
        if "$ref" in schema:
            judged(description, schema, value)
        # Nobody's signs are obeyed by whoever shows it.
        assert "\u202e" not in text.decode(), path
    for path, wanted in [("/api/held?limit=0", 422), ("/api/held?after=x", 422), ("/api/held?colour=red", 422),
                         ("/api/queue?state=lost", 422), ("/api/day/yesterday", 422), ("/api/report/4242", 404),
                         ("/api/nothing", 404)]:
        code, text = keeper.ask(path)
        assert code == wanted, (path, code, text)
        judged(description, {"$ref": "#/components/schemas/Wrong"}, json.loads(text))


def test_an_answer_is_what_the_command_says(lab):
    viewer = token(lab, "the wall", "viewer")
    for path, words in [("/api/held", ["held"]), ("/api/trail?limit=50", ["trail"]), ("/api/queue", ["queue"]),
                        ("/api/calls", ["queue", "calls"]),
                        ("/api/day", ["day"]), ("/api/controls", ["controls"]), ("/api/care", ["care"]),
                        ("/api/controls/review/2026-03", ["controls", "review", "2026-03"]), ("/api/orders", ["orders"]),
                        ("/api/controls/positivity/2026-03", ["controls", "positivity", "2026-03"])]:
        # A program that asks is noted to the minute, which is no act: the trail stays as it is. What moves by itself
        # (a message is tried again) may move between the two.
        for _ in range(20):
            said = subprocess.run([WICKLINE, "--config", str(lab.config), "--json", *words], capture_output=True, text=True)
            code, text = viewer.ask(path)
            told, wanted = json.loads(text), json.loads(said.stdout)
            for document in (told, wanted):
                receivers = document.get("receivers")
                for receiver in receivers if isinstance(receivers, list) else []:
                    receiver.pop("oldest_s"), receiver.pop("answered_last_minute"), receiver.pop("empty_in_s")
            if (code, told) == (200, wanted):
                break
        assert (code, told) == (200, wanted), path
    code, text = viewer.ask("/api/find", {"text": "KP-20407"})
    found = json.loads(text)
    assert [item["specimen"] for item in found["items"]] == ["KP-20407"]
    assert ask(lab.config, "find", "KP-20407")["items"] == found["items"]


def test_only_the_token_of_a_role_is_answered(lab):
    viewer = token(lab, "a screen", "viewer")
    assert viewer.ask("/api/people")[0] == 403
    for wrong in [None, "0" * 64, viewer.token[:-1], viewer.token.upper() + "0"]:
        assert Asker(lab, wrong).ask("/api/held")[0] == 401, wrong
    # A token opens no page, and changes nothing.
    assert b"login" in viewer.ask("/held")[1]
    assert viewer.ask("/held/1/release", {"reason": "none"})[0] in (401, 403, 410, 415)
    ask(lab.config, "user", "token", "a screen", "--take")
    assert viewer.ask("/api/held")[0] == 401
