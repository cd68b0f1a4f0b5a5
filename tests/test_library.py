"""Files: found, read, and refused with their name; and every profile that comes with the program."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pytest

from pinwright import library, resources
from pinwright.cable.wiring import RULES
from pinwright.errors import AdapterError, OwnBug, ProfileError, UsageError
from pinwright.library import (
    LoadedProfile,
    all_profiles,
    find_profile,
    library_folders,
    read_adapters,
    read_profile,
)
from pinwright.records.store import default_place

PROFILES = resources.folder("profiles")
BROKEN = sorted((PROFILES / "broken").glob("*.toml"))
WORKSHOP = {"lamp-changer-40", "raw-ribbon-40", "service-lead-9", "straight-34", "woven-40"}

GOOD = """\
[cable]
id = "lead"
[ends.A]
connector = "row-2"
[ends.B]
connector = "row-2"
[wiring]
rule = "straight"
"""


def write(path: Path, content: str | bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.stem)
def test_a_broken_profile_gets_exactly_the_message_at_its_top(path: Path) -> None:
    mark, _, expected = path.read_bytes().splitlines()[0].decode().partition(": ")
    assert "# expect" == mark
    separator = ", " if expected.startswith("key ") else ": "
    with pytest.raises(ProfileError) as caught:
        read_profile(path)
    assert f"profile `{path}`{separator}{expected}" == caught.value.message


def test_there_are_plenty_of_broken_profiles() -> None:
    assert len(BROKEN) >= 24


def test_every_profile_of_the_library_is_good_and_named_like_its_file() -> None:
    loaded = list(all_profiles(library_folders()))
    assert [] == [str(wrong) for wrong in loaded if isinstance(wrong, ProfileError)]
    ids = {each.path.stem: each.profile.id for each in loaded if isinstance(each, LoadedProfile)}
    assert {stem: stem for stem in ids} == ids
    assert ids.keys() >= WORKSHOP


@pytest.mark.parametrize("id", sorted(WORKSHOP))
def test_a_workshop_profile_is_complete(id: str) -> None:
    profile = find_profile(id, library_folders()).profile
    assert id == profile.id
    assert all((profile.title, profile.revision, profile.length_mm, *(end.label for end in profile.ends)))
    assert () == profile.notes


def test_the_lamp_changer_lead_is_as_the_demo_scenario_tells() -> None:
    lead = find_profile("lamp-changer-40", library_folders()).profile
    assert "HL40-0001" == lead.serial_for(1)
    assert 40 == len(lead.nets)
    assert ["A.1 B.40", "A.2 B.1", "A.3 B.39"] == [" ".join(map(str, net.pins)) for net in lead.nets[:3]]
    assert 9 == sum(net.common == "GND" for net in lead.nets)
    assert [1.0] == [lead.limit(net).max_ohms for net in lead.nets if net.signal == "VLAMP"]


def test_the_guide_to_profiles_names_every_rule_and_every_key() -> None:
    guide = (PROFILES / "README.md").read_text(encoding="utf-8")
    keys = ["id", "title", "revision", "length_mm", "wire", "max_ohms", "min_leak_ohms", "serial"]
    keys += ["origin", "sources", "confidence", "notes"]
    keys += ["connector", "label", "signals", "rule", "from", "to", "wires", "by_signal", "joined"]
    keys += ["common", "limits"]
    keys += [*RULES, *(key for rule in RULES.values() for key in rule.parameters)]
    assert set() == set(keys) - set(re.findall(r"[a-z_-]+", guide))


def test_a_profile_comes_with_its_text_and_the_hash_of_its_bytes(tmp_path: Path) -> None:
    path = write(tmp_path / "lead.toml", GOOD)
    loaded = read_profile(path)
    assert (GOOD, path) == (loaded.text, loaded.path)
    assert hashlib.sha256(GOOD.encode()).hexdigest() == loaded.sha256


def test_windows_line_ends_and_a_byte_order_mark_are_read(tmp_path: Path) -> None:
    content = b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode()
    loaded = read_profile(write(tmp_path / "lead.toml", content))
    assert ("lead", hashlib.sha256(content).hexdigest()) == (loaded.profile.id, loaded.sha256)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"[cable\n", "is not TOML: Expected ']' at the end of a table declaration (at line 1, column 7)"),
        (b'[cable]\nid = "\xff"\n', "is not UTF-8 text, in line 2"),
        (b"#" * 1_000_001, "is larger than 1000000 bytes, which no profile is"),
        (b"n = " + b"9" * 5000, "is not TOML that can be read: a number too long or tables too deep"),
        (b"n = " + b"[" * 50_000, "is not TOML that can be read: a number too long or tables too deep"),
    ],
    ids=["not TOML", "not UTF-8", "too large", "a number too long", "too deep"],
)
def test_a_file_that_is_no_profile_is_named(tmp_path: Path, content: bytes, problem: str) -> None:
    path = write(tmp_path / "lead.toml", content)
    with pytest.raises(ProfileError) as caught:
        read_profile(path)
    assert f"profile `{path}`: {problem}" == caught.value.message


@pytest.mark.parametrize(
    ("name", "problem"),
    [
        ("absent.toml", "no such file"),
        ("folder.toml", "is a folder, not a file"),
        ("nul\0.toml", "cannot be read"),
        ("x" * 300 + ".toml", "cannot be read"),
    ],
    ids=["absent", "folder", "nul", "long"],
)
def test_a_file_that_cannot_be_read_is_named(tmp_path: Path, name: str, problem: str) -> None:
    (tmp_path / "folder.toml").mkdir()
    with pytest.raises(ProfileError) as caught:
        find_profile(str(tmp_path / name), [])
    assert problem == caught.value.problem.partition(":")[0]
    assert caught.value.message.isprintable()


def test_a_profile_is_found_by_its_id_wherever_it_lies(tmp_path: Path) -> None:
    path = write(tmp_path / "deep" / "er" / "anything.toml", GOOD)
    assert path == find_profile("lead", [tmp_path]).path


def test_an_id_that_nobody_has_is_refused_with_close_ones_and_where_they_were_looked_for(
    tmp_path: Path,
) -> None:
    write(tmp_path / "lead.toml", GOOD)
    with pytest.raises(UsageError) as caught:
        find_profile("laed", [tmp_path])
    assert f"no profile has the id `laed` in `{tmp_path}`; close to it: `lead`" == caught.value.message


def test_two_profiles_with_one_id_are_both_named(tmp_path: Path) -> None:
    one, other = write(tmp_path / "1.toml", GOOD), write(tmp_path / "2.toml", GOOD)
    with pytest.raises(UsageError) as caught:
        find_profile("lead", [tmp_path])
    assert f"several profiles have the id `lead`: `{one}` and `{other}`" == caught.value.message


def test_a_faulty_profile_asked_for_by_id_says_its_own_fault(tmp_path: Path) -> None:
    write(tmp_path / "lead.toml", GOOD.replace("straight", "crossed"))
    with pytest.raises(ProfileError, match=r"key `wiring\.rule`"):
        find_profile("lead", [tmp_path])


def test_all_profiles_come_in_stable_order_with_their_faults_and_without_the_broken_ones(
    tmp_path: Path,
) -> None:
    for name in ("b/2", "b/1", "a/3", "broken/4", "a/broken/5"):
        write(tmp_path / f"{name}.toml", GOOD.replace("straight", "crossed" if name == "b/1" else "straight"))
    found = [
        (Path(each.file).stem, "wrong")
        if isinstance(each, ProfileError)
        else (each.path.stem, each.profile.id)
        for each in all_profiles([tmp_path])
    ]
    assert [("3", "lead"), ("1", "wrong"), ("2", "lead")] == found


def test_an_installation_without_its_data_says_where_it_looked() -> None:
    with pytest.raises(OwnBug, match="this installation has no `nothing` folder; looked in"):
        resources.folder("nothing")


def test_an_installed_package_uses_its_own_data_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    package = tmp_path / "host" / "pinwright"
    beside, inside = tmp_path / "profiles", package / "data" / "profiles"
    monkeypatch.setattr(resources, "_PACKAGE", package)
    beside.mkdir()
    assert beside == resources.folder("profiles")
    inside.mkdir(parents=True)
    assert inside == resources.folder("profiles")


def adapter_file(
    folder: Path, name: str, id: str = "mine", takes: str = "row-9", mark: str = "[[30, 31]]"
) -> Path:
    pins = "\n".join(f"{k} = {k}" for k in range(1, 10))
    head = f'[adapter]\nid = "{id}"\ntakes = ["{takes}"]\nfits = "box-2x20"\njoined = {mark}\n'
    return write(folder / name, f"{head}[pins]\n{pins}\n")


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The person's own folder of adapters, empty."""
    monkeypatch.setattr(library, "own_adapters", lambda: tmp_path)
    return tmp_path


def test_the_shipped_adapters_are_there_without_a_folder_of_one_s_own() -> None:
    assert not library.own_adapters().exists()
    assert ("pinwright", "adapters") == library.own_adapters().parts[-2:]
    assert library.own_adapters().parent == default_place().parent
    assert {"dsub-9-plug", "dsub-25-socket"} <= {adapter.id for adapter in read_adapters()}


def test_own_adapters_come_first(own: Path) -> None:
    adapter_file(own, "b.toml")
    adapter_file(own, "a.toml", "other", "dsub-9-plug", "[[32, 33]]")
    assert ["other", "mine"] == [adapter.id for adapter in read_adapters()][:2]


@pytest.mark.parametrize(
    ("id", "takes", "gone"),
    [
        ("dsub-9-plug", "row-9", {"dsub-9-plug"}),
        ("mine", "dsub-9-plug", {"dsub-9-plug"}),
        ("dsub-9-plug", "dsub-9-socket", {"dsub-9-plug", "dsub-9-socket"}),
        ("mine", "row-9", set()),
    ],
)
def test_an_own_adapter_takes_the_place_of_a_shipped_one(
    own: Path, id: str, takes: str, gone: set[str]
) -> None:
    shipped = {adapter.id: adapter for adapter in read_adapters()}
    adapter_file(own, "a.toml", id, takes)
    known = read_adapters()
    assert (id, (takes,)) == (known[0].id, known[0].takes)
    assert [adapter for name, adapter in shipped.items() if name not in gone] == list(known[1:])


@pytest.mark.parametrize(
    ("second", "seen"),
    [
        ({"id": "mine", "takes": "dsub-9-plug"}, "b.toml`: has the id `mine` as `"),
        ({"id": "other", "takes": "row-9"}, "b.toml`: takes for `box-2x20` the same as `"),
        (
            {"id": "other", "takes": "dsub-9-plug", "mark": "[[31, 30]]"},
            "key `adapter.joined`: a scan could take it for `",
        ),
        ({"id": "a b"}, "b.toml`, key `adapter.id`: must be letters"),
    ],
)
def test_two_own_adapters_that_clash_are_refused_with_their_files(
    own: Path, second: dict[str, str], seen: str
) -> None:
    adapter_file(own, "a.toml")
    adapter_file(own, "b.toml", **second)
    with pytest.raises(AdapterError) as error:
        read_adapters()
    assert seen in error.value.message
    assert f"{own}" in error.value.message


def test_an_adapter_for_what_plugs_straight_in_would_never_be_used(own: Path) -> None:
    pins = "\n".join(f"{k} = {k}" for k in range(1, 41))
    head = '[adapter]\nid = "mine"\ntakes = ["idc-2x20"]\nfits = "box-2x20"\n[pins]\n'
    write(own / "a.toml", head + pins)
    with pytest.raises(AdapterError, match=r"key `adapter.takes`: `idc-2x20` plugs straight into `box-2x20`"):
        read_adapters()


def test_an_own_adapter_with_a_shipped_one_s_mark_is_refused(own: Path) -> None:
    adapter_file(own, "a.toml", mark="[[10, 11]]")
    with pytest.raises(AdapterError, match="a scan could take it for `dsub-9-plug`") as error:
        read_adapters()
    assert "give one of them another mark" == error.value.hint


@pytest.mark.parametrize(
    ("content", "seen"),
    [
        (b"\xff", "is not UTF-8 text, in line 1"),
        (b"[adapter", "is not TOML"),
        (b"#" * 1_000_001, "is larger than 1000000 bytes, which no adapter is"),
        (b"", "key `adapter`: is missing"),
    ],
)
def test_an_adapter_file_that_cannot_be_read_is_named(own: Path, content: bytes, seen: str) -> None:
    (own / "x.toml").write_bytes(content)
    with pytest.raises(AdapterError) as error:
        read_adapters()
    assert error.value.message.startswith(f"adapter `{own / 'x.toml'}`")
    assert seen in error.value.message
