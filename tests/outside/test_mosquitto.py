"""The publisher against a broker that is not ours: TLS, passwords, rules, restarts."""

import asyncio
import functools
import ssl
import subprocess
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from agent.config.model import Mqtt
from agent.publish.refusal import Refusal
from agent.publish.retry import BackOff
from agent.store.messages import OutgoingMessage
from tests.publish.bench import Bench, event, plain, state, until
from tests.publish.mosquitto import Listener, Mosquitto, first_arrivals, needed
from tests.publish.scripted_broker import ScriptedBroker

PASSWORD = "a long word, and a % sign"


def in_a_loop(test: Callable[..., Awaitable[None]]) -> Callable[..., None]:
    @functools.wraps(test)
    def run(*args: object, **kwargs: object) -> None:
        async def bounded() -> None:
            async with asyncio.timeout(15):
                await test(*args, **kwargs)

        asyncio.run(bounded())

    return run


class Certificates:
    """Two authorities, a broker's certificate for `localhost` and one of a client, made with the openssl program."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("ca", "other"):
            self._openssl(
                "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
                "-keyout", f"{name}.key", "-out", f"{name}.crt", "-subj", f"/CN=test {name}",
                "-addext", "basicConstraints=critical,CA:TRUE", "-addext", "keyUsage=critical,keyCertSign",
            )  # fmt: skip
        self._signed("broker", "DNS:localhost")
        self._signed("client", "DNS:client")

    def _signed(self, name: str, alternative: str) -> None:
        self._openssl(
            "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
            "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}",
        )  # fmt: skip
        (self.folder / "ext").write_text(f"subjectAltName={alternative}\n")
        self._openssl(
            "x509", "-req", "-in", f"{name}.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
            "-days", "2", "-out", f"{name}.crt", "-extfile", "ext",
        )  # fmt: skip

    def _openssl(self, *args: str) -> None:
        subprocess.run([needed("openssl"), *args], cwd=self.folder, check=True, capture_output=True, timeout=20)

    def __getitem__(self, name: str) -> Path:
        return self.folder / name


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return Certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture(scope="module")
def secured(certificates: Certificates, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A broker with TLS, a password and rules: agent `kiln` may not write to the topics of probe `locked`."""
    folder = tmp_path_factory.mktemp("broker")
    (folder / "users").write_text("")
    for user in ("kiln", "reader"):
        command = [needed("mosquitto_passwd"), "-b", str(folder / "users"), user, PASSWORD]
        subprocess.run(command, check=True, capture_output=True, timeout=20)
    # Of mosquitto 2.0 a 'deny' line wins over a wider 'write'.
    (folder / "rules").write_text(
        "user kiln\ntopic write flueward/#\ntopic deny flueward/s/probe/locked/#\n\nuser reader\ntopic read #\n"
    )
    settings = (
        f"certfile {certificates['broker.crt']}\nkeyfile {certificates['broker.key']}\n"
        f"allow_anonymous false\npassword_file {folder / 'users'}\nacl_file {folder / 'rules'}"
    )
    with Mosquitto(folder, settings) as broker:
        yield broker


@pytest.fixture
def password_file(tmp_path: Path) -> Path:
    path = tmp_path / "password"
    path.write_text(PASSWORD + "\n")
    return path


def over_tls(broker: Mosquitto, certificates: Certificates, password_file: Path, **more: Any) -> Mqtt:
    options = {"username": "kiln", "password_file": password_file, "ca_file": certificates["ca.crt"], **more}
    return Mqtt(host=options.pop("host", "localhost"), port=broker.port, tls=True, **options)


def reader(certificates: Certificates) -> Callable[[Any], None]:
    def setup(client: Any) -> None:
        client.tls_set(ca_certs=str(certificates["ca.crt"]))
        client.username_pw_set("reader", PASSWORD)

    return setup


@in_a_loop
async def test_over_tls_a_denied_topic_is_set_aside_and_the_others_arrive(
    secured, certificates, password_file, tmp_path
):
    with Listener(secured.port, setup=reader(certificates)) as listener:
        async with Bench(tmp_path, over_tls(secured, certificates, password_file)).running() as b:
            assert b.publisher.state.connected is False
            b.commit(
                *[event("locked", n) for n in range(3)], state("locked", 2), *[event("open", n) for n in range(20)]
            )
            b.publisher.set_state("flueward/s/probe/locked/condition", {"mode": "in_service"})
            await until(lambda: b.store.counts() == (0, 4))
            await until(lambda: len(listener.seqs("flueward/s/probe/open/event")) == 20)
            assert listener.seqs("flueward/s/probe/open/event") == list(range(20))
            assert {a.reason for a in b.store.refused()} == {"refused by the broker: 0x87 Not authorized"}
            assert b.publisher.state.connected
            assert b.publisher.state.protocol == "5"
    assert not [topic for topic, _, _ in listener.heard if "locked" in topic]


@pytest.mark.parametrize(
    ("change", "kind", "words"),
    [
        ({"username": "nobody"}, Refusal.CREDENTIALS, "check mqtt.username and mqtt.password_file|does not allow user"),
        ({"protocol": "3.1.1", "username": "nobody"}, Refusal.CREDENTIALS, "'nobody'"),
        ({"ca_file": "other.crt"}, Refusal.TLS, "other.crt did not sign it. Set mqtt.ca_file"),
        ({"ca_file": None}, Refusal.TLS, "the system's authorities did not sign it. Set mqtt.ca_file"),
        ({"host": "127.0.0.1"}, Refusal.TLS, "it is not made out to '127.0.0.1'. Set mqtt.host to a name that stands"),
        ({"ca_file": "gone.crt"}, Refusal.FILES, "gone.crt cannot be used: No such file"),
        ({"ca_file": "ca.key"}, Refusal.FILES, "ca.key cannot be used"),
        ({"cert_file": "client.crt"}, Refusal.FILES, r"client.crt with key \(in it\) cannot be used"),
    ],
)
def test_what_is_wrong_with_the_settings_is_said_once_and_tried_again(
    secured, certificates, password_file, tmp_path, change, kind, words
):
    @in_a_loop
    async def scenario() -> None:
        files = {k: certificates[v] for k, v in change.items() if k in {"ca_file", "cert_file"} and v is not None}
        mqtt = over_tls(secured, certificates, password_file, **{**change, **files})
        with capture_logs() as logs:
            async with Bench(tmp_path, mqtt).running() as b:
                b.commit(event("open", 1))
                await until(lambda: b.counters.total("mqtt_failed") >= 3)
                assert b.publisher.state.problem is kind
                assert b.store.counts() == (1, 0)
        told = [entry["message"] for entry in logs if entry["event"] == "mqtt_not_connected"]
        assert len(told) == 1
        assert any(part.replace("\\", "") in told[0] for part in words.split("|")), told
        assert f"{mqtt.host}:{mqtt.port}" in told[0] or kind is Refusal.FILES
        assert PASSWORD not in str(logs)

    scenario()


@in_a_loop
async def test_a_wrong_password_mended_in_its_file_is_used_without_a_restart(
    secured, certificates, password_file, tmp_path
):
    password_file.write_text("wrong")
    async with Bench(tmp_path, over_tls(secured, certificates, password_file)).running() as b:
        b.commit(event("open", 1))
        await until(lambda: b.publisher.state.problem is Refusal.CREDENTIALS)
        password_file.write_text(PASSWORD)
        await until(lambda: b.store.counts() == (0, 0))


@in_a_loop
async def test_tls_where_none_is_spoken_and_none_where_tls_is_are_both_explained(
    secured, certificates, password_file, tmp_path
):
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    with Mosquitto(tmp_path) as broker:
        async with Bench(tmp_path / "one", over_tls(broker, certificates, password_file)).running() as b:
            await until(lambda: b.publisher.state.problem in {Refusal.TLS, Refusal.NO_ANSWER})
            assert "Set mqtt.port to the broker's TLS port" in b.publisher.state.last_error
    async with Bench(tmp_path / "two", plain(secured.port)).running() as b:
        await until(lambda: b.publisher.state.problem is Refusal.NO_ANSWER)


@in_a_loop
async def test_a_broker_that_wants_a_certificate_of_us_gets_it_or_we_are_told(certificates, tmp_path):
    settings = (
        f"certfile {certificates['broker.crt']}\nkeyfile {certificates['broker.key']}\n"
        f"cafile {certificates['ca.crt']}\nrequire_certificate true\nallow_anonymous true"
    )
    with Mosquitto(tmp_path, settings) as broker:
        mqtt = Mqtt(host="localhost", port=broker.port, ca_file=certificates["ca.crt"])
        (tmp_path / "without").mkdir()
        async with Bench(tmp_path / "without", mqtt).running() as b:
            await until(lambda: b.publisher.state.problem is not None)
            assert "certificate" in b.publisher.state.last_error.lower()
        ours = {"cert_file": certificates["client.crt"], "key_file": certificates["client.key"]}
        (tmp_path / "with").mkdir()
        async with Bench(tmp_path / "with", mqtt.model_copy(update=ours)).running() as b:
            b.commit(event("a", 1))
            await until(lambda: b.store.counts() == (0, 0))


@in_a_loop
async def test_an_answer_that_tls_has_already_decoded_is_not_left_lying(certificates, tmp_path):
    tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    tls.load_cert_chain(certificates["broker.crt"], certificates["broker.key"])
    pingresp = b"\xd0\x00"  # in one TLS record with the PUBACK: after the first packet the socket has nothing to read
    async with ScriptedBroker(tls=tls, before_puback=pingresp) as broker:
        mqtt = Mqtt(host="localhost", port=broker.port, ca_file=certificates["ca.crt"])
        async with Bench(tmp_path, mqtt, ack_s=60.0).running() as b:
            b.commit(event("a", 1), event("a", 2))
            await until(lambda: b.store.counts() == (0, 0))
            assert len(broker.ends) == 0


@in_a_loop
async def test_a_broker_restarted_empty_gets_all_retained_state_back(tmp_path):
    a_topic, status = "flueward/s/probe/a/alert/x", "flueward/s/agent/a/status"
    with Mosquitto(tmp_path) as broker:
        async with Bench(tmp_path, plain(broker.port)).running() as b:
            b.publisher.set_state(status, {"state": "online"})
            b.commit(state("a", 3), state("b", 4), event("a", 3))
            b.commit(state("b", None))
            await until(lambda: b.store.counts() == (0, 0))
            await asyncio.to_thread(broker.stop, kill=True)
            await until(lambda: not b.publisher.state.connected)
            await asyncio.to_thread(broker.start)
            await until(lambda: b.publisher.state.connected)
            with Listener(broker.port) as listener:
                await until(lambda: {a_topic, status} <= {topic for topic, _, _ in listener.heard})
                held = {topic: payload for topic, payload, _ in listener.heard}
            assert held[a_topic]["seq"] == 3
            assert held[status] == {"state": "online"}
            assert held.get("flueward/s/probe/b/alert/x") is None


@in_a_loop
async def test_with_the_broker_away_and_back_every_message_arrives_in_the_order_of_its_alert(tmp_path):
    with Mosquitto(tmp_path, keep=True) as broker, Listener(broker.port) as listener:
        async with Bench(tmp_path, plain(broker.port)).running() as b:
            for n in range(60):
                b.commit(*[event(key, n) for key in "abcd"])
                if n % 20 == 10:
                    await asyncio.to_thread(broker.stop)
                if n % 20 == 15:
                    await asyncio.to_thread(broker.start)
                await asyncio.sleep(0.005)
            await until(lambda: b.store.counts() == (0, 0))
            for key in "abcd":
                topic = f"flueward/s/probe/{key}/event"
                await until(lambda topic=topic: len(first_arrivals(listener.seqs(topic))) == 60)
                assert first_arrivals(listener.seqs(topic)) == list(range(60))


@in_a_loop
async def test_an_agent_that_dies_is_declared_offline_and_one_that_stops_says_so_itself(tmp_path):
    status = "flueward/s/agent/a/status"
    with Mosquitto(tmp_path) as broker, Listener(broker.port) as listener:
        for name in ("killed", "stopped"):
            (tmp_path / name).mkdir()
            b = Bench(tmp_path / name, plain(broker.port))
            b.publisher.set_state(status, {"state": "online"})
            task = asyncio.create_task(b.publisher.run())
            await until(lambda: listener.heard[-1:] == [(status, {"state": "online"}, False)])
            if name == "killed":
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)
                await until(lambda: listener.heard[-1] == (status, {"state": "offline"}, False))  # the will
            else:
                began = time.monotonic()
                said = OutgoingMessage(status, {"state": "offline", "by": "itself"}, True, "state", "status", 0.0)
                await b.publisher.stop(said)
                await task
                assert time.monotonic() - began < 2.0
                await until(lambda: listener.heard[-1] == (status, {"state": "offline", "by": "itself"}, False))
            b.store.close()
        await asyncio.sleep(0.05)
        assert listener.heard[-1][1] == {"state": "offline", "by": "itself"}  # and no will after it


@in_a_loop
async def test_two_agents_with_one_id_are_told_of_it_once_and_fight_less_and_less(tmp_path):
    # This broker cuts the first client without a word (2.0.11) or with 0x8E (later ones): both must be understood.
    rests = BackOff(0.02, 30.0)
    with Mosquitto(tmp_path) as broker, capture_logs() as logs:
        (tmp_path / "one").mkdir()
        (tmp_path / "two").mkdir()
        async with Bench(tmp_path / "one", plain(broker.port), slow=rests, quick=rests).running() as one:
            await until(lambda: one.publisher.state.connected)
            async with Bench(tmp_path / "two", plain(broker.port), slow=rests, quick=rests).running() as two:
                agents = (one, two)
                await until(lambda: any("our id 'flueward-s-a'" in b.publisher.state.last_error for b in agents))
                await asyncio.sleep(0.3)
                assert sum(b.counters.total("mqtt_connected") for b in agents) < 20
    told = [entry["message"] for entry in logs if entry["event"] == "mqtt_not_connected"]
    assert 1 <= sum("our id" in message for message in told) <= 2  # once an agent
    assert len(told) <= 4


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_both_protocols_carry_the_same(tmp_path, protocol):
    @in_a_loop
    async def scenario() -> None:
        with Mosquitto(tmp_path) as broker, Listener(broker.port) as listener:
            async with Bench(tmp_path, plain(broker.port, protocol=protocol)).running() as b:
                b.commit(*[event("a", n) for n in range(100)], state("a", 99))
                await until(lambda: b.store.counts() == (0, 0))
                await until(lambda: len(listener.heard) >= 101)
                assert listener.seqs("flueward/s/probe/a/event") == list(range(100))
                assert b.publisher.state.protocol == protocol

    scenario()


def test_the_example_for_a_broker_is_one_that_it_accepts(certificates, tmp_path):
    example = Path(__file__).parents[2] / "deploy" / "mosquitto.example.conf"
    lines = [line for line in example.read_text().splitlines() if line and not line.startswith(("#", "listener"))]
    acl = [line.removeprefix("#   ") for line in example.read_text().splitlines() if line.startswith("#   ")]
    (tmp_path / "users").write_text("")
    (tmp_path / "acl").write_text("\n".join(acl) + "\n")
    for user in ("kiln-agent", "control-room"):
        command = [needed("mosquitto_passwd"), "-b", str(tmp_path / "users"), user, PASSWORD]
        subprocess.run(command, check=True, capture_output=True, timeout=20)
    settings = "\n".join(lines)
    for name, ours in {
        "/etc/mosquitto/certs/broker.crt": certificates["broker.crt"],
        "/etc/mosquitto/certs/broker.key": certificates["broker.key"],
        "/etc/mosquitto/flueward.users": tmp_path / "users",
        "/etc/mosquitto/flueward.acl": tmp_path / "acl",
        "/var/lib/mosquitto/": f"{tmp_path}/",
    }.items():
        assert name in settings
        settings = settings.replace(name, str(ours))
    (tmp_path / "password").write_text(PASSWORD)

    @in_a_loop
    async def scenario(broker: Mosquitto) -> None:
        mqtt = over_tls(broker, certificates, tmp_path / "password", username="kiln-agent")
        async with Bench(tmp_path, mqtt).running() as b:
            topics = ("flueward/north/probe/b2/event", "flueward/south/probe/b2/event")
            b.commit(*[OutgoingMessage(topic, {"n": 1}, False, "event", topic, 0.0) for topic in topics])
            await until(lambda: b.store.counts() == (0, 1))
            assert [a.topic for a in b.store.refused()] == ["flueward/south/probe/b2/event"]

    with Mosquitto(tmp_path, settings, memory=False) as broker:
        scenario(broker)
