"""The publisher against a broker that misbehaves on demand."""

import asyncio
import functools
import json
import sqlite3
import time
from collections.abc import Awaitable, Callable

import pytest
from structlog.testing import capture_logs

from agent.publish.refusal import Refusal
from agent.publish.retry import BackOff
from agent.store.messages import OutgoingMessage
from agent.store.unwritten import StoredMessage
from tests.publish.bench import Bench, event, plain, seqs, state, until
from tests.publish.scripted_broker import CUT, SILENT, Published, ScriptedBroker


def in_a_loop(test: Callable[..., Awaitable[None]]) -> Callable[..., None]:
    """Run an async test, its tasks and all, in ten seconds at most."""

    @functools.wraps(test)
    def run(*args: object, **kwargs: object) -> None:
        async def bounded() -> None:
            async with asyncio.timeout(10):
                await test(*args, **kwargs)

        asyncio.run(bounded())

    return run


def payloads(broker: ScriptedBroker) -> list[bytes]:
    return [message.payload for message in broker.seen]


@in_a_loop
async def test_messages_are_stamped_sent_in_order_and_forgotten_once_confirmed(tmp_path):
    async with ScriptedBroker() as broker, Bench(tmp_path, plain(broker.port)).running() as b:
        b.commit(*[event("a", n) for n in range(50)], state("a", 49))
        await until(lambda: b.store.counts() == (0, 0))
        assert seqs(payloads(broker), "a") == list(range(50))
        first = json.loads(broker.seen[0].payload)
        assert first["durable"] is True
        assert first["sent_at"] > 1.7e9
        assert [m.retain for m in broker.seen] == [False] * 50 + [True]
        assert broker.levels == [5]


@in_a_loop
async def test_what_is_committed_while_the_broker_is_away_arrives_when_it_is_there(tmp_path):
    broker = ScriptedBroker()
    async with broker:
        pass  # only to have a port on which nothing listens
    async with Bench(tmp_path, plain(broker.port)).running() as b:
        b.commit(event("a", 1), event("a", 2))
        await until(lambda: b.publisher.state.problem is Refusal.UNREACHABLE)
        assert "nothing listens there" in b.publisher.state.last_error
        assert b.publisher.state.waiting == 2
        async with ScriptedBroker(port=broker.port) as back:
            await until(lambda: b.store.counts() == (0, 0))
            assert seqs(payloads(back), "a") == [1, 2]


@in_a_loop
async def test_the_next_message_of_an_alert_waits_for_the_answer_to_the_one_before_and_other_alerts_do_not(tmp_path):
    def answer(message: Published) -> int:
        return SILENT if json.loads(message.payload)["key"] == "slow" else 0

    async with ScriptedBroker(puback=answer) as broker, Bench(tmp_path, plain(broker.port), ack_s=60.0).running() as b:
        b.commit(event("slow", 1), event("slow", 2), *[event("a", n) for n in range(30)])
        await until(lambda: b.store.counts() == (2, 0))
        assert seqs(payloads(broker), "slow") == [1]
        assert seqs(payloads(broker), "a") == list(range(30))


@in_a_loop
async def test_a_refused_message_is_set_aside_with_the_brokers_reason_and_blocks_nothing(tmp_path):
    refuse = 0x87  # not authorized, MQTT 5.0 section 3.4.2.1

    def answer(message: Published) -> int:
        return refuse if json.loads(message.payload).get("seq") == 2 else 0

    with capture_logs() as logs:
        async with ScriptedBroker(puback=answer) as broker, Bench(tmp_path, plain(broker.port)).running() as b:
            b.commit(*[event("a", n) for n in range(5)], event("b", 0))
            await until(lambda: b.store.counts() == (0, 1))
            assert seqs(payloads(broker), "a") == [0, 1, 2, 3, 4]
            assert b.store.refused()[0].reason == "refused by the broker: 0x87 Not authorized"
            assert b.counters.total("message_set_aside") == 1
            assert sum(entry["event"] == "message_refused" for entry in logs) == 1
            # A person allows the topic, and has it sent once more.
            broker.puback = lambda message: 0
            assert b.publisher.bring_back() == 1
            await until(lambda: b.store.counts() == (0, 0))
            assert json.loads(broker.seen[-1].payload)["seq"] == 2


@in_a_loop
async def test_a_message_on_which_the_broker_hangs_up_is_found_set_aside_and_blocks_nothing(tmp_path):
    def answer(message: Published) -> int:
        return CUT if b'"seq":13' in message.payload and b'"key":"a"' in message.payload else 0

    async with ScriptedBroker(puback=answer) as broker, Bench(tmp_path, plain(broker.port)).running() as b:
        b.publisher.set_state("flueward/s/agent/a/status", {"state": "online"})
        b.commit(*[event("a", n) for n in range(10, 16)], *[event(f"k{n}", n) for n in range(30)])
        await until(lambda: b.store.counts() == (0, 1))
        assert seqs(payloads(broker), "a") == [10, 11, 12, 13, 14, 15]
        assert {f"flueward/s/probe/k{n}/event" for n in range(30)} <= set(broker.topics())
        (aside,) = b.store.refused()
        assert aside.topic == "flueward/s/probe/a/event"
        assert aside.reason.startswith("the broker hangs up on it, again and again")
        # Innocent ones were not condemned with it, and the connection stays.
        assert b.publisher.state.connected
        cuts = len(broker.ends)
        b.commit(event("a", 16))
        await until(lambda: b.store.counts() == (0, 1))
        assert len(broker.ends) == cuts


@in_a_loop
async def test_a_broker_that_hangs_up_on_everything_is_at_fault_and_not_the_messages(tmp_path):
    async with (
        ScriptedBroker(puback=lambda message: CUT) as broker,
        Bench(tmp_path, plain(broker.port), quick=BackOff(0.001, 0.002)).running() as b,
    ):
        b.publisher.set_state("flueward/s/agent/a/status", {"state": "online"})
        b.commit(event("a", 1), event("b", 1))
        await until(lambda: len(broker.ends) >= 12)
        assert b.store.counts() == (2, 0)
        broker.puback = lambda message: 0  # it has come to its senses
        await until(lambda: b.store.counts() == (0, 0) and "flueward/s/agent/a/status" in broker.topics())


@in_a_loop
async def test_a_status_topic_on_which_the_broker_hangs_up_does_not_hold_up_alerts(tmp_path):
    def answer(message: Published) -> int:
        return CUT if message.topic.endswith("status") else 0

    async with ScriptedBroker(puback=answer) as broker, Bench(tmp_path, plain(broker.port)).running() as b:
        b.publisher.set_state("flueward/s/agent/a/status", {"state": "online"})
        for n in range(8):
            b.commit(event("a", n))
            await until(lambda: b.store.counts() == (0, 0))
        await until(lambda: b.counters.total("message_refused") == 1)
        await until(lambda: b.publisher.state.connected)
        cuts = len(broker.ends)
        b.publisher.set_state("flueward/s/agent/a/status", {"state": "online", "n": 2})
        b.commit(event("a", 9))
        await until(lambda: b.store.counts() == (0, 0))
        assert len(broker.ends) == cuts


@in_a_loop
async def test_a_broker_that_never_answers_a_message_is_reconnected_and_the_message_sent_again(tmp_path):
    def answer(message: Published) -> int:
        return SILENT if message.connection == 1 else 0

    async with ScriptedBroker(puback=answer) as broker, Bench(tmp_path, plain(broker.port), ack_s=0.2).running() as b:
        b.commit(event("a", 1), event("a", 2))
        await until(lambda: b.store.counts() == (0, 0))
        assert seqs(payloads(broker), "a") == [1, 2]
        assert b.counters.total("mqtt_no_ack") == 1
        assert len(broker.ends) == 1


@in_a_loop
async def test_nothing_is_sent_twice_by_a_reconnect_alone(tmp_path):
    async with ScriptedBroker() as broker, Bench(tmp_path, plain(broker.port)).running() as b:
        b.commit(*[event("a", n) for n in range(5)])
        await until(lambda: b.store.counts() == (0, 0))
        for _ in range(3):
            connections = len(broker.writers)
            broker.writers[-1].close()
            await until(lambda n=connections: len(broker.writers) > n and b.publisher.state.connected)
        b.commit(event("a", 5))
        await until(lambda: b.store.counts() == (0, 0))
        assert [json.loads(p)["seq"] for p in payloads(broker)] == [0, 1, 2, 3, 4, 5]


@in_a_loop
async def test_a_side_that_falls_silent_is_noticed_by_the_keepalive(tmp_path):
    # ServerKeepAlive (0x13) of one second: MQTT 5.0 section 3.2.2.3.14
    broker = ScriptedBroker(properties=b"\x13\x00\x01", pings=False)
    async with broker, Bench(tmp_path, plain(broker.port)).running() as b:
        await until(lambda: b.publisher.state.connected)
        await until(lambda: "no answer to a ping" in b.publisher.state.last_error, within_s=8)
        broker.pings = True
        await until(lambda: b.publisher.state.connected)


@in_a_loop
async def test_a_broker_of_an_older_protocol_is_spoken_to_in_its_own(tmp_path):
    # 0x01 is 'unacceptable protocol version' of MQTT 3.1.1, section 3.2.2.3
    broker = ScriptedBroker(connack=lambda level, n: 1 if level == 5 else 0)
    async with broker, Bench(tmp_path, plain(broker.port), quick=BackOff(30.0, 30.0)).running() as b:
        b.commit(event("a", 1), state("a", 1), state("b", None))
        await until(lambda: b.store.counts() == (0, 0))
        assert broker.levels == [5, 4]
        assert b.publisher.state.protocol == "3.1.1"
        assert seqs(payloads(broker), "a") == [1]


@in_a_loop
async def test_a_broker_that_hangs_up_on_mqtt_5_is_tried_with_the_older_protocol(tmp_path):
    broker = ScriptedBroker(connack=lambda level, n: CUT if level == 5 else 0)
    async with broker, Bench(tmp_path, plain(broker.port)).running() as b:
        b.commit(event("a", 1))
        await until(lambda: b.store.counts() == (0, 0))
        assert broker.levels == [5, 4]


@in_a_loop
async def test_a_protocol_set_by_hand_is_not_changed(tmp_path):
    broker = ScriptedBroker(connack=lambda level, n: 0x84)  # unsupported protocol version, MQTT 5.0 section 3.2.2.2
    async with broker, Bench(tmp_path, plain(broker.port, protocol="5")).running() as b:
        await until(lambda: len(broker.levels) >= 2)
        assert set(broker.levels) == {5}
        assert b.publisher.state.problem is Refusal.PROTOCOL
        assert "set mqtt.protocol" in b.publisher.state.last_error


# Reason codes of CONNACK, MQTT 5.0 section 3.2.2.2
@pytest.mark.parametrize(
    ("code", "kind", "words"),
    [
        (0x85, Refusal.CLIENT_ID, "set mqtt.client_id"),
        (0x86, Refusal.CREDENTIALS, "check mqtt.username and mqtt.password_file"),
        (0x87, Refusal.CREDENTIALS, "does not allow user 'kiln' as client 'flueward-s-a'"),
        (0x88, Refusal.BUSY, "is not available now"),
        (0x89, Refusal.BUSY, "is busy"),
        (0x9A, Refusal.FEATURES, "keeps no retained messages"),
        (0xFE, Refusal.CREDENTIALS, "refuses the connection"),  # not a code of the standard
    ],
)
def test_a_refused_connection_is_told_once_with_what_to_do_and_tried_again(tmp_path, code, kind, words):
    @in_a_loop
    async def scenario() -> None:
        broker = ScriptedBroker(connack=lambda level, n: code if n < 5 else 0)
        with capture_logs() as logs:
            async with broker, Bench(tmp_path, plain(broker.port, username="kiln", protocol="5")).running() as b:
                b.commit(event("a", 1))
                await until(lambda: len(broker.levels) == 4)
                assert b.publisher.state.problem is kind
                assert words in b.publisher.state.last_error
                await until(lambda: b.store.counts() == (0, 0))
        assert sum(entry["event"] == "mqtt_not_connected" for entry in logs) == 1

    if code == 0xFE:  # paho knows no such code and calls it unreadable: still one clear message and another try
        kind, words = Refusal.NO_ANSWER, "ended the connection before answering"
    scenario()


@in_a_loop
async def test_a_second_client_with_our_id_is_a_configuration_error_said_once(tmp_path):
    taken_over = b"\xe0\x01\x8e"  # DISCONNECT with 0x8E, MQTT 5.0 section 3.14.2.1
    with capture_logs() as logs:
        async with ScriptedBroker() as broker, Bench(tmp_path, plain(broker.port), stable_s=0.01).running() as b:
            for n in range(1, 4):
                await until(lambda n=n: len(broker.writers) == n and b.publisher.state.connected)
                await asyncio.sleep(0.02)
                broker.say(taken_over)
                await until(lambda: not b.publisher.state.connected)
                assert b.publisher.state.problem is Refusal.TAKEN_OVER
            b.commit(event("a", 1))
            await until(lambda: b.store.counts() == (0, 0))  # and no message was blamed for it
    told = [entry["message"] for entry in logs if entry["event"] == "mqtt_not_connected"]
    assert len(told) == 1
    assert "another client has connected with our id 'flueward-s-a'" in told[0]


@pytest.mark.parametrize(
    "noise",
    [
        b"\x40\x02\x30\x39",  # PUBACK of a packet that was never sent
        b"\xff\xff\xff\xff\xff\xff",  # no packet at all
        b"\x40\x03\x00\x01\xfe",  # PUBACK with a reason that does not exist
        b"\x20\x00",  # CONNACK without a body
        b"\x30\x05\x00\x01a\x00\x01",  # PUBLISH that we did not subscribe to
        b"\xe0\x00",  # DISCONNECT without a reason
    ],
)
def test_nonsense_from_the_wire_costs_a_connection_at_most(tmp_path, noise):
    @in_a_loop
    async def scenario() -> None:
        async with (
            ScriptedBroker(puback=lambda m: SILENT if m.connection == 1 else 0) as broker,
            Bench(tmp_path, plain(broker.port), ack_s=0.3).running() as b,
        ):
            b.commit(event("a", 1), event("a", 2))
            await until(lambda: len(broker.seen) == 1)
            broker.say(noise)
            await until(lambda: b.store.counts() == (0, 0))
            assert seqs(payloads(broker), "a") == [1, 2]

    scenario()


@in_a_loop
async def test_what_answers_on_the_port_and_is_no_broker_is_said_so(tmp_path):
    broker = ScriptedBroker(connack=lambda level, n: SILENT)
    async with broker, Bench(tmp_path, plain(broker.port), answer_s=0.1).running() as b:
        await until(lambda: b.publisher.state.problem is Refusal.NO_ANSWER)
        assert "is it MQTT, and TLS as configured?" in b.publisher.state.last_error


@in_a_loop
async def test_a_name_that_does_not_exist_is_named(tmp_path):
    # .invalid never resolves, RFC 2606
    mqtt = plain(1883).model_copy(update={"host": "broker.invalid"})
    async with Bench(tmp_path, mqtt).running() as b:
        await until(lambda: b.publisher.state.problem is Refusal.DNS)
        assert "the name 'broker.invalid' is not found" in b.publisher.state.last_error


@in_a_loop
async def test_a_password_is_not_sent_without_tls_unless_the_settings_say_so(tmp_path):
    (tmp_path / "password").write_text("secret\n")
    async with ScriptedBroker() as broker:
        mqtt = plain(broker.port, username="kiln", password_file=tmp_path / "password")
        async with Bench(tmp_path, mqtt).running() as b:
            await until(lambda: b.publisher.state.problem is Refusal.PLAIN_PASSWORD)
            assert broker.levels == []
        trusted = mqtt.model_copy(update={"plain_password": "the network is trusted"})
        async with Bench(tmp_path, trusted).running() as b:
            await until(lambda: b.publisher.state.connected)
        gone = trusted.model_copy(update={"password_file": tmp_path / "gone"})
        async with Bench(tmp_path, gone).running() as b:
            await until(lambda: b.publisher.state.problem is Refusal.FILES)
            assert "gone cannot be read: No such file" in b.publisher.state.last_error
            assert "secret" not in b.publisher.state.last_error


# State topics


@in_a_loop
async def test_only_the_newest_word_of_a_status_topic_is_sent_and_again_on_each_connection(tmp_path):
    topic = "flueward/s/agent/a/status"
    async with ScriptedBroker() as broker:
        b = Bench(tmp_path, plain(broker.port))
        for n in range(5):
            b.publisher.set_state(topic, {"n": n})
        b.publisher.set_state("flueward/s/probe/b/sample", {"n": 0}, retain=False)
        async with b.running():
            await until(lambda: len(broker.seen) == 2)
            assert json.loads(broker.seen[0].payload) == {"n": 4}  # as given: no stamp
            broker.writers[-1].close()
            await until(lambda: len(broker.seen) == 3)
            await asyncio.sleep(0.03)
            assert broker.topics() == [topic, "flueward/s/probe/b/sample", topic]
            assert b.store.counts() == (0, 0)


@in_a_loop
async def test_all_retained_state_goes_again_to_a_broker_that_may_have_come_back_empty(tmp_path):
    async with ScriptedBroker() as broker, Bench(tmp_path, plain(broker.port)).running() as b:
        b.commit(state("a", 1), state("b", 1), event("a", 1))
        b.commit(state("a", 2), state("b", None))
        await until(lambda: b.store.counts() == (0, 0))
        await until(lambda: b.counters.total("mqtt_retained_again") == 1)
        await asyncio.sleep(0.05)  # for what of the first round is still on its way
        before = len(broker.seen)
        broker.writers[-1].close()
        await until(lambda: len(broker.seen) == before + 2)
        again = {m.topic: m.payload for m in broker.seen[before:]}
        assert json.loads(again["flueward/s/probe/a/alert/x"])["seq"] == 2
        assert again["flueward/s/probe/b/alert/x"] == b""  # emptied: a broker may remember too much as well


@in_a_loop
async def test_a_line_that_comes_and_goes_is_not_flooded_with_retained_state(tmp_path):
    async with (
        ScriptedBroker() as broker,
        Bench(tmp_path, plain(broker.port), republish_pause_s=0.4).running() as b,
    ):
        b.commit(state("a", 1))
        await until(lambda: b.store.counts() == (0, 0))
        await until(lambda: b.counters.total("mqtt_retained_again") == 1)
        for _ in range(3):
            connections = len(broker.writers)
            broker.writers[-1].close()
            await until(lambda n=connections: len(broker.writers) > n and b.publisher.state.connected)
        assert b.counters.total("mqtt_retained_again") == 1
        await until(lambda: b.counters.total("mqtt_retained_again") == 2)  # once, later, and not never


@in_a_loop
async def test_a_retained_topic_that_is_refused_is_not_tried_at_every_connect(tmp_path):
    def answer(message: Published) -> int:
        return 0x87 if message.topic.endswith("alert/x") else 0

    async with ScriptedBroker(puback=answer) as broker, Bench(tmp_path, plain(broker.port)).running() as b:
        b.commit(state("a", 1))
        await until(lambda: b.store.counts() == (0, 1))
        for _ in range(4):
            connections = len(broker.writers)
            broker.writers[-1].close()
            await until(lambda n=connections: len(broker.writers) > n and b.publisher.state.connected)
            await asyncio.sleep(0.02)
        assert broker.topics().count("flueward/s/probe/a/alert/x") <= 2


# The disk


@in_a_loop
async def test_with_the_disk_full_a_message_is_sent_all_the_same_and_says_so(tmp_path):
    async with ScriptedBroker() as broker, Bench(tmp_path, plain(broker.port), flush_s=60.0).running() as b:
        b.commit(event("a", 1))
        await until(lambda: b.store.counts() == (0, 0))
        pages = b.store._connection.execute("PRAGMA page_count").fetchone()[0]
        b.store._connection.execute(f"PRAGMA max_page_count = {pages}")  # SQLITE_FULL for what needs a page
        assert b.commit(event("a", 2, text="x" * 50_000), state("a", 2)) is False
        await until(lambda: len(broker.seen) >= 3 and b.store.counts() == (0, 0))
        sent = [json.loads(m.payload) for m in broker.seen[:3]]
        assert [m["durable"] for m in sent] == [True, False, False]


@in_a_loop
async def test_when_the_disk_takes_writes_again_what_was_only_in_memory_is_written_without_being_asked(tmp_path):
    async with Bench(tmp_path, plain(1)).running() as b:  # nothing listens on port 1
        b.store._connection.execute("PRAGMA query_only = ON")
        assert b.commit(event("a", 1)) is False
        b.store._connection.execute("PRAGMA query_only = OFF")
        await until(lambda: not b.store.unwritten)
        with sqlite3.connect(tmp_path / "flueward.db") as beside:
            assert beside.execute("SELECT count(*) FROM outbox").fetchone() == (1,)
        beside.close()


# The end


@in_a_loop
async def test_an_orderly_stop_sends_what_waits_then_the_last_word_and_disconnects(tmp_path):
    offline = OutgoingMessage("flueward/s/agent/a/status", {"state": "offline"}, True, "state", "status", 0.0)
    async with ScriptedBroker() as broker:
        b = Bench(tmp_path, plain(broker.port))
        task = asyncio.create_task(b.publisher.run())
        await until(lambda: b.publisher.state.connected)
        b.commit(*[event("a", n) for n in range(40)])
        b.publisher.set_state("flueward/s/agent/a/status", {"state": "online"})
        began = asyncio.get_running_loop().time()
        await b.publisher.stop(offline)
        assert asyncio.get_running_loop().time() - began < 2.0
        await task
        await until(lambda: broker.ends == ["disconnect"])  # so that no will is published
        assert seqs(payloads(broker), "a") == list(range(40))
        assert json.loads(broker.seen[-1].payload) == {"state": "offline"}
        assert b.store.counts() == (0, 0)
        b.store.close()


@in_a_loop
async def test_a_stop_while_the_outbox_is_being_read_still_sends_what_was_committed_meanwhile(tmp_path):
    async with ScriptedBroker() as broker:
        b = Bench(tmp_path, plain(broker.port))
        real = b.store.pending

        def slow(limit: int, after: int = 0) -> list[StoredMessage]:
            found = real(limit, after)
            time.sleep(0.1)  # a slow disk, in the thread that reads
            return found

        b.store.pending = slow
        task = asyncio.create_task(b.publisher.run())
        await until(lambda: b.publisher.state.connected)
        await asyncio.sleep(0.03)
        b.commit(event("a", 1))
        await b.publisher.stop(event("last", 1))
        await task
        assert broker.topics() == ["flueward/s/probe/a/event", "flueward/s/probe/last/event"]
        b.store.close()


@in_a_loop
async def test_a_stop_is_quick_with_a_broker_that_is_silent_or_away(tmp_path):
    for name, mute in (("connack", True), ("puback", False)):
        broker = ScriptedBroker(
            connack=lambda level, n, mute=mute: SILENT if mute else 0, puback=lambda message: SILENT
        )
        async with broker:
            (tmp_path / name).mkdir()
            b = Bench(tmp_path / name, plain(broker.port), answer_s=30.0, ack_s=30.0, drain_s=0.2, farewell_s=0.1)
            b.commit(event("a", 1))
            task = asyncio.create_task(b.publisher.run())
            await until(lambda broker=broker: len(broker.levels) == 1)
            began = asyncio.get_running_loop().time()
            await b.publisher.stop(event("a", 2))
            await task
            assert asyncio.get_running_loop().time() - began < 1.0
            assert b.store.counts() == (1, 0)  # still there for the next start
            b.store.close()


@in_a_loop
async def test_a_cancelled_publisher_leaves_no_task_and_no_goodbye(tmp_path):
    async with ScriptedBroker() as broker:
        b = Bench(tmp_path, plain(broker.port))
        task = asyncio.create_task(b.publisher.run())
        await until(lambda: b.publisher.state.connected)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await until(lambda: broker.ends == ["cut"])  # the broker publishes our will
        assert {t.get_name() for t in asyncio.all_tasks()}.isdisjoint({"store-flush", "mqtt-open", "mqtt-stopping"})
        b.store.close()


# Limits that the broker states in CONNACK, MQTT 5.0 sections 3.2.2.3.3 to 3.2.2.3.6


@in_a_loop
async def test_no_more_messages_are_in_flight_than_the_broker_takes(tmp_path):
    broker = ScriptedBroker(properties=b"\x21\x00\x03", puback=lambda message: SILENT)  # receive maximum 3
    async with broker, Bench(tmp_path, plain(broker.port), ack_s=60.0).running() as b:
        b.commit(*[event(f"k{n}", n) for n in range(10)])
        await until(lambda: len(broker.seen) == 3)
        await asyncio.sleep(0.03)
        assert len(broker.seen) == 3


@in_a_loop
async def test_a_message_larger_than_the_broker_takes_is_set_aside_and_not_sent(tmp_path):
    broker = ScriptedBroker(properties=b"\x27\x00\x00\x01\x00")  # maximum packet size 256
    async with broker, Bench(tmp_path, plain(broker.port)).running() as b:
        b.commit(event("a", 1, text="x" * 300), event("a", 2))
        await until(lambda: b.store.counts() == (0, 1))
        assert seqs(payloads(broker), "a") == [2]
        assert "the broker takes 256" in b.store.refused()[0].reason


@in_a_loop
async def test_a_broker_without_retained_messages_is_told_of_once_and_used_all_the_same(tmp_path):
    broker = ScriptedBroker(properties=b"\x25\x00")  # retain available: no
    with capture_logs() as logs:
        async with broker, Bench(tmp_path, plain(broker.port)).running() as b:
            b.commit(state("a", 1))
            await until(lambda: b.store.counts() == (0, 0))
            assert not any(m.retain for m in broker.seen)
    assert sum(entry["event"] == "mqtt_no_retain" for entry in logs) == 1


@in_a_loop
async def test_a_broker_without_qos_1_is_a_configuration_error(tmp_path):
    broker = ScriptedBroker(properties=b"\x24\x00")  # maximum QoS 0: nothing would ever be confirmed
    async with broker, Bench(tmp_path, plain(broker.port)).running() as b:
        await until(lambda: b.publisher.state.problem is Refusal.FEATURES)
        assert "does not do QoS 1" in b.publisher.state.last_error


@in_a_loop
async def test_a_payload_that_cannot_be_stamped_is_set_aside_and_blocks_nothing(tmp_path):
    async with ScriptedBroker() as broker:
        b = Bench(tmp_path, plain(broker.port))
        b.publisher._delivery._stamp = lambda payload, durable, now: {"seq": payload["seq"], "key": payload["key"]}
        async with b.running():
            b.commit(OutgoingMessage("t", {"other": 1}, False, "event", "a", 0.0), event("a", 2))
            await until(lambda: b.store.counts() == (0, 1))
            assert "cannot be prepared for sending: KeyError 'seq'" in b.store.refused()[0].reason
            assert seqs(payloads(broker), "a") == [2]
