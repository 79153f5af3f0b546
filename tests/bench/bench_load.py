"""Benchmark of the load planner, run by hand (`make bench-load`), never by pytest.

Kiln instances and generated ones at several times beside rectpack on bounding squares; classical bin packing with and
without turning; "does it fit?"; growth from 50 to 2,000 pieces. Times are processor time of one process, since a busy
machine's clock would lie. Writes a table and pictures to the folder given by --out.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import replace
from math import log
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[2]))

from firings.load_plan import fits, solve
from firings.load_plan.bound import lower_bounds
from firings.load_plan.check import faults
from firings.load_plan.problem import LoadPlan, LoadRequest, PieceSpec, ZoneSpec, request_from

INSTANCES = Path(__file__).with_name("instances") / "packing"
KILN_A = ZoneSpec("kiln", 2, 610, 305, 1100, 20, 12, 3, 6)
KILN_B = ZoneSpec("kiln", 4, 600, 400, 1500, 20, 12, 3, 6)
HEURISTICS = (
    "MaxRectsBssf", "MaxRectsBl", "MaxRectsBaf", "MaxRectsBlsf", "SkylineBl", "SkylineBlWm", "SkylineMwf",
    "SkylineMwfl", "GuillotineBssfSas", "GuillotineBafMinas",
)  # fmt: skip


def read(path: Path) -> tuple[LoadRequest, dict] | None:
    """A kiln instance with its reference values; None for one that a load-request cannot say."""
    document = json.loads(path.read_text(encoding="utf-8"))
    reference = document.get("reference", {})
    pieces = [{key: value for key, value in piece.items() if key != "kind"} for piece in document["pieces"]]
    wanted = {"format": "load-request/1", "name": document["name"], "kiln": document["kiln"], "pieces": pieces}
    if "zones" in document["kiln"]:
        if (zoned := _zoned(document["kiln"], pieces)) is None:
            return None
        wanted = {**wanted, **zoned}
        del wanted["kiln"]
        reference = {**reference, "rules": document}
    return request_from(wanted), reference


def _zoned(kiln: dict, pieces: list[dict]) -> dict | None:
    """``zones`` and ``pieces`` of an instance with zone lists, two cones, and its own rule for what runs; or None.

    A list of several zones is said as "needs soda", those being the soda zones, so only one such list can be said. All
    pots are one owner's: what runs then only keeps clear of what is fragile. That nothing of the lower cone stands
    above anything of the higher one is said alike, the lower cone as runny and the higher one as fragile, which is
    stricter than the instance asks.
    """
    lists = {tuple(piece["zones"]) for piece in pieces if len(piece.get("zones", ())) > 1}
    low, *more = sorted({piece["cone"] for piece in pieces})
    if len(lists) > 1 or len(more) > 1:
        return None
    soda = next(iter(lists), ())
    shared = {key: value for key, value in kiln.items() if key != "zones"}
    said = []
    for piece in pieces:
        where = piece.get("zones", ())
        one = {key: value for key, value in piece.items() if key not in ("zones", "cone")} | {"owner": "all"}
        if len(where) == 1:
            one["zone"] = where[0]
        elif where:
            one["soda"] = True
        if more:
            one["runny"] = piece.get("runny", False) or piece["cone"] == low
            one["fragile"] = piece.get("fragile", False) or piece["cone"] != low
        said.append(one)
    return {
        "zones": [
            {**shared, "id": zone["name"], "chamber_height_mm": zone["height_mm"], "soda": zone["name"] in soda}
            for zone in kiln["zones"]
        ],
        "pieces": said,
    }


def own_faults(document: dict, plan: LoadPlan) -> list[str]:
    """What a plan breaks of a zoned instance's own rules, read from the instance itself: zones, cones, what runs."""
    pieces = {piece["id"]: piece for piece in document["pieces"]}
    found = []
    for zone in document["kiln"]["zones"]:
        layers = [[pieces[one.id] for one in layer.placed] for layer in plan.layers if layer.zone == zone["name"]]
        found += [
            f"{p['id']} in {zone['name']}"
            for on in layers
            for p in on
            if zone["name"] not in p.get("zones", [zone["name"]])
        ]
        for n, below in enumerate(layers):
            for above in layers[n + 1 :]:
                if min((p["cone"] for p in above), default=99) < max((p["cone"] for p in below), default=0):
                    found.append(f"a lower cone above layer {n + 1} in {zone['name']}")
                if any(p.get("runny") for p in above) and any(p.get("fragile") for p in below):
                    found.append(f"runny above fragile in layer {n + 1} of {zone['name']}")
    return found


def generated(seed: int, count: int, zone: ZoneSpec) -> LoadRequest:
    """Mugs, bowls, plates, vases and teapots, mostly in sets of equal pieces, of about a member per dozen pieces."""
    rng = Random(f"bench {seed} {count}")
    pieces: list[PieceSpec] = []
    left = count
    while left:
        number = min(left, rng.choice((1, 1, 2, 2, 3, 4, 4, 6, 6, 8)))
        kind = rng.choice(("mug", "mug", "bowl", "bowl", "bowl", "plate", "plate", "vase", "teapot"))
        owner = f"o{rng.randrange(max(2, count // 12)):02}"
        if kind in ("vase", "teapot"):
            number = min(number, 3)
        d, h, w, l = 0, 0, 0, 0  # noqa: E741
        if kind == "mug":
            d, h = rng.randint(83, 100), rng.randint(90, 120)
        elif kind == "bowl":
            d = rng.randint(83, 250)
            h = round(d * rng.uniform(0.4, 0.6))
        elif kind == "plate":
            d, h = rng.randint(205, 300), rng.randint(30, 48)
        elif kind == "vase":
            d, h = rng.randint(92, 180), rng.randint(215, 440)
        else:
            w, l, h = rng.randint(127, 152), rng.randint(190, 255), rng.randint(120, 190)  # noqa: E741
        shape = "rect" if kind == "teapot" else "circle"
        pieces.append(PieceSpec(f"L{len(pieces):03}", owner, number, shape, h, d=d, w=w, l=l))
        left -= number
    return LoadRequest(f"seed{seed}-{count}", (zone,), tuple(pieces))


def squares(request: LoadRequest) -> int | None:
    """Least stack of rectpack on bounding squares, layers filled by falling height; None with posts or more zones."""
    if len(request.zones) > 1 or any(zone.keepouts for zone in request.zones):
        return None
    return min(_squares(request, name) for name in HEURISTICS)


def _squares(request: LoadRequest, name: str) -> int:
    import rectpack

    zone, algorithm = request.zones[0], getattr(rectpack, name)
    layers, stack = [], 0
    for piece in sorted((p for p in request.pieces for _ in range(p.count)), key=lambda p: (-p.h, p.id)):
        w, l = (side + zone.gap_mm for side in piece.footprint())  # noqa: E741
        if any(board.add_rect(w, l) for boards in layers for board in boards):
            continue
        size = zone.board_w_mm + zone.gap_mm, zone.board_l_mm + zone.gap_mm
        layers.append([algorithm(*size, rot=True) for _ in range(zone.boards_per_layer)])
        assert layers[-1][0].add_rect(w, l)
        stack += zone.clear_height_mm(piece.h) + zone.shelf_thickness_mm
    return stack


def stacks_at(request: LoadRequest, marks: list[float], seed: int, rules: dict | None = None) -> list[int]:
    """Total stack after each of the times; every plan is checked. Heights of several zones are kept."""
    found, free = [], len(request.zones) == 1
    for mark in marks:
        made = solve.plan(request, seconds=mark, seed=seed, free_height=free)
        assert faults(request, made, free_height=free) == [], request.name
        assert rules is None or own_faults(rules, made) == [], request.name
        assert made.left_out == (), request.name
        found.append(sum(made.stack_mm.values()))
    return found


class Report:
    def __init__(self) -> None:
        self.lines: list[str] = []

    def say(self, line: str = "") -> None:
        print(line, flush=True)
        self.lines.append(line)


def kilns(report: Report, folders: list[Path], marks: list[float], seeds: int, fresh: int) -> list[tuple]:
    """The table of kiln instances; returns rows for the picture."""
    asked: list[tuple[LoadRequest, dict]] = []
    for folder in folders:
        for path in sorted(folder.glob("*.json")):
            known = read(path)
            if known is None:
                report.say(f"{path.name}: left out; its zone lists and cones cannot be said in a load-request.")
            else:
                asked.append(known)
    sizes = (80, 150, 400)
    asked += [(generated(n, sizes[n % 3], KILN_B if n % 2 else KILN_A), {}) for n in range(1, fresh + 1)]
    report.say()
    times = " | ".join(f"{mark:g} s" for mark in marks)
    report.say(f"| instance | pieces | best known | {times} | best seed | bound | squares, best rectpack | saved |")
    report.say("|---|---" + "|---" * (len(marks) + 5) + "|")
    rows, losses, saved = [], [], []
    for request, reference in asked:
        pieces = sum(piece.count for piece in request.pieces)
        here = [max(mark, 5.0) if pieces >= 400 and mark < 5 else mark for mark in marks]
        runs = [stacks_at(request, here, seed, reference.get("rules")) for seed in range(1, seeds + 1)]
        means = [sum(run[n] for run in runs) / seeds for n in range(len(marks))]
        known = reference.get("best_stack_mm")
        square = squares(request)
        bound = lower_bounds(request, {piece.id: piece.count for piece in request.pieces}).total_mm
        cells = [f"{mean:.0f}" + (f" ({100 * mean / known - 100:+.1f} %)" if known else "") for mean in means]
        less = [100 - 100 * mean / square for mean in means] if square else []
        report.say(
            f"| {request.name} | {pieces} | {known or '-'} | {' | '.join(cells)} | {min(run[-1] for run in runs)} "
            f"| {bound} | {square or '-'} | {f'{less[-1]:.1f} %' if less else '-'} |"
        )
        rows.append((request.name, known, means, square))
        if known:
            losses.append([100 * mean / known - 100 for mean in means])
        if less and pieces >= 80:
            saved.append(less)
    for n, mark in enumerate(marks):
        if losses:
            here = [loss[n] for loss in losses]
            mean, most = sum(here) / len(here), max(here)
            report.say(f"Above best known after {mark:g} s: {mean:.2f} % on average, {most:.2f} % at most.")
        if saved:
            here = [less[n] for less in saved]
            report.say(
                f"Against the best rectpack heuristic on bounding squares, 80 pieces and more, after {mark:g} s: "
                f"{sum(here) / len(here):.1f} % less stack on average of {len(here)}."
            )
    report.say("Instances of 400 pieces and more have at least 5 s. A mean is over seeds.")
    return rows


def bins(report: Report, paths: list[Path], seconds: float, most: int) -> None:
    """Classical bin packing by the same core: equal heights, one board a layer, no gap."""
    instances = [json.loads(line) for path in paths for line in path.read_text(encoding="utf-8").splitlines()]
    if most and len(instances) > most:
        instances = instances[:: -(-len(instances) // most)]
    report.say()
    report.say(f"| class | instances | turned | best known | oriented | best known | ({seconds:g} s each)")
    report.say("|---|---|---|---|---|---|")
    totals = [0, 0, 0, 0]
    for name in sorted({instance["name"][:4] for instance in instances}):
        here = [instance for instance in instances if instance["name"].startswith(name)]
        row = [
            sum(bins_used(one, seconds, True) for one in here), sum(one["best_rotation"] for one in here),
            sum(bins_used(one, seconds, False) for one in here), sum(one["best_oriented"] for one in here),
        ]  # fmt: skip
        totals = [total + value for total, value in zip(totals, row, strict=True)]
        report.say(f"| {name} | {len(here)} | {row[0]} | {row[1]} | {row[2]} | {row[3]} |")
    turned, straight = (100 * totals[n] / totals[n + 1] - 100 for n in (0, 2))
    report.say(f"| sum | {len(instances)} | {totals[0]} | {totals[1]} | {totals[2]} | {totals[3]} |")
    report.say(f"Above the best known total: {turned:.2f} % turned, {straight:.2f} % without turning.")


def bins_used(instance: dict, seconds: float, turning: bool) -> int:
    zone = ZoneSpec("bin", 1, instance["W"], instance["H"], 1, 0, 0, 0, 0)
    pieces = tuple(PieceSpec(f"i{n}", "", 1, "rect", 1, w=w, l=h) for n, (w, h) in enumerate(instance["items"]))
    request = LoadRequest(instance["name"], (zone,), pieces)
    made = solve.plan(request, seconds=seconds, free_height=True, turning=turning)
    assert faults(request, made, free_height=True) == []
    assert turning or not any(one.turned for layer in made.layers for one in layer.placed)
    return len(made.layers)


def does_it_fit(report: Report, questions: int) -> None:
    """One more member's pieces beside planned loads of 150; how long the answer took."""
    took, yes = [], 0
    rng = Random("fits")
    for n in range(questions):
        load = generated(1000 + n // 10, 150, KILN_A if n // 10 % 2 else KILN_B)
        if n % 10 == 0:
            high = solve.plan(load, seconds=2, free_height=True)
            room = round(sum(high.stack_mm.values()) * rng.uniform(1.0, 1.06))
            request = replace(load, zones=(replace(load.zones[0], height_mm=room),))
            last = solve.plan(request, seconds=1, start=high)
        more = generated(5000 + n, rng.randint(2, 8), KILN_A).pieces
        newcomers = tuple(replace(piece, id=f"new{piece.id}", owner="new") for piece in more)
        before = time.process_time()
        said = fits.answer(request, last, newcomers, seconds=1.0)
        took.append(time.process_time() - before)
        yes += said.fits
        assert faults(fits.with_newcomers(request, newcomers), said.plan) == []
    took.sort()
    within = 100 * sum(one <= 1.0 for one in took) / len(took)
    report.say()
    report.say(
        f"Does it fit: {questions} questions on loads of 150, {yes} fit; {within:.0f} % answered within 1 s, "
        f"median {took[len(took) // 2]:.2f} s, 95 % within {took[int(0.95 * (len(took) - 1))]:.2f} s."
    )


def growth(report: Report, out: Path, loss: float, longest: float) -> None:
    """Processor time until the stack is within ``loss`` of what a long search finds, 50 to 2,000 pieces."""
    report.say()
    report.say(f"| pieces | long search | s | s to within {100 * loss:g} % | that / (n log n), 50 pieces = 1 |")
    report.say("|---|---|---|---|---|")
    points = []
    for count in (50, 100, 200, 500, 1000, 2000):
        request = generated(77, count, KILN_B)
        seconds = longest * count * log(count) / (2000 * log(2000))
        trace = []
        job = solve._job(request, True, None, None)
        began = time.process_time()
        job.search.begin(1)

        def enough(job=job, trace=trace, began=began, seconds=seconds) -> bool:
            at = time.process_time() - began
            stack = int(job.search.best.stack.sum())
            if not trace or stack < trace[-1][1]:
                trace.append((at, stack))
            return at >= seconds

        job.search.improve(1, 1 << 60, enough, lambda load: False)
        wanted = trace[-1][1] * (1 + loss)
        reached = next(at for at, stack in trace if stack <= wanted)
        points.append((count, reached))
        ratio = reached / (count * log(count)) / (points[0][1] / (50 * log(50)))
        report.say(f"| {count} | {trace[-1][1]} | {seconds:.1f} | {reached:.3f} | {ratio:.2f} |")
    (out / "load_growth.svg").write_text(_growth_svg(points), encoding="utf-8")


def _growth_svg(points: list[tuple[int, float]]) -> str:
    left, width, height = 60, 520, 320
    low, high = min(at for _, at in points) / 2, max(at for _, at in points) * 2
    unit = points[0][1] / (50 * log(50))

    def place(count: int, at: float) -> tuple[float, float]:
        x = left + width * log(count / 50) / log(40)
        return round(x, 1), round(height - height * log(max(at, low) / low) / log(high / low), 1)

    marks = "".join(
        f'<circle cx="{place(*p)[0]}" cy="{place(*p)[1]}" r="4"/><text x="{place(*p)[0]}" y="{height + 20}" '
        f'text-anchor="middle">{p[0]}</text><text x="{place(*p)[0] + 6}" y="{place(*p)[1] - 6}">{p[1]:.2f} s</text>'
        for p in points
    )
    line = " ".join(f"{x},{y}" for x, y in (place(n, unit * n * log(n)) for n, _ in points))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 -30 640 400" font-family="sans-serif" font-size="12">'
        f'<text x="10" y="-12">Processor time to equal loss by pieces (both axes logarithmic); line: n log n</text>'
        f'<polyline points="{line}" fill="none" stroke="#888" stroke-dasharray="6 4"/>{marks}</svg>'
    )


def _stacks_svg(rows: list[tuple], marks: list[float]) -> str:
    """Bars per instance: squares, each time, best known, in percent of the squares or of the tallest."""
    step, made = 14, []
    names = ["rectpack", *(f"{mark:g} s" for mark in marks), "best known"]
    fills = ["#bbb", *(["#777", "#444", "#111"] * 3)[: len(marks)], "#fff"]
    y = 0
    for name, known, means, square in rows:
        made.append(f'<text x="0" y="{y + 11}" font-weight="bold">{name}</text>')
        for label, value, fill in zip(names, [square, *means, known], fills, strict=True):
            if value:
                y += step
                wide = round(value / 5, 1)
                made.append(
                    f'<text x="0" y="{y + 11}">{label}</text><rect x="80" y="{y + 2}" width="{wide}" height="10" '
                    f'fill="{fill}" stroke="#000"/><text x="{86 + wide}" y="{y + 11}">{value:.0f} mm</text>'
                )
        y += 2 * step
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-10 -10 700 {y + 20}" font-family="sans-serif" '
        f'font-size="11">{"".join(made)}</svg>'
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, help="further instances: *.json, kiln/*.json, bins_rect.jsonl")
    parser.add_argument("--seconds", default="1,10", help="times for the kiln instances")
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--fresh", type=int, default=4, help="generated instances")
    parser.add_argument("--bins", type=int, default=50, help="at most so many classical instances, 0: all")
    parser.add_argument("--bin-seconds", type=float, default=0.5)
    parser.add_argument("--fits", type=int, default=40)
    parser.add_argument("--growth", type=float, default=40.0, help="longest search of the growth table in s, 0: none")
    parser.add_argument("--only", default="kilns,bins,fits,growth")
    parser.add_argument("--out", type=Path, default=Path("var/bench"))
    options = parser.parse_args()
    solve.clock = fits.clock = time.process_time
    solve.WORK_PER_SECOND = 1 << 40  # the clock ends a search here
    began = time.process_time()
    solve.warm()
    options.out.mkdir(parents=True, exist_ok=True)
    report, only = Report(), options.only.split(",")
    report.say(f"Seconds are processor time of one process. Kernel made ready in {time.process_time() - began:.1f} s.")
    folders = [INSTANCES]
    paths = [INSTANCES / "bins_rect.jsonl"]
    if options.folder:
        folders = [folder for folder in (options.folder, options.folder / "kiln") if any(folder.glob("*.json"))]
        paths = [path for path in [options.folder / "bins_rect.jsonl"] if path.exists()]
    marks = [float(one) for one in options.seconds.split(",")]
    if "kilns" in only:
        rows = kilns(report, folders, marks, options.seeds, options.fresh)
        (options.out / "load.svg").write_text(_stacks_svg(rows, marks), encoding="utf-8")
    if "bins" in only and paths:
        bins(report, paths, options.bin_seconds, options.bins)
    if "fits" in only:
        does_it_fit(report, options.fits)
    if "growth" in only and options.growth:
        growth(report, options.out, 0.05, options.growth)
    (options.out / "load.md").write_text("\n".join(report.lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
