"""The report of one board as text for a terminal: pure, without colour codes unless `paint` adds them.

Owns the layout: a table of what was judged, where the time went, what did not pass and what to do, and last
the one line that says what may be said of the board. Text of a board cannot steer the terminal (see `text`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.records import LimitJudged, RunState, Verdict
from benchrig.report.columns import column_widths, paragraph, row_lines
from benchrig.report.numbers import limits_text, measured_text, seconds_text
from benchrig.report.text import shown_line

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from benchrig.records import FactJudged
    from benchrig.report.board_report import BoardReport, CheckReport

_HEADINGS = ("check / what", "measured", "limits", "rule", "verdict", "time")
_RULE_COLUMN, _VERDICT_COLUMN, _TIME_COLUMN = 3, 4, 5
_ELSEWHERE = "between the phases"
_ROUTINE = frozenset(("link released", "link opened again"))
"""Events that every good run has; the journal keeps them, a reader of the terminal need not."""


def unpainted(text: str, verdict: Verdict) -> str:
    """The paint of a terminal without colours."""
    return text


def board_table(report: BoardReport, *, width: int = 110, paint: Callable[[str, Verdict], str] = unpainted) -> str:
    """The whole report, `width` characters wide where words allow; `paint` colours text by its verdict."""
    sections = (
        _header_lines(report),
        _judged_lines(report, width=width, paint=paint),
        _time_lines(report),
        _event_lines(report, width=width),
        *_annex_sections(report),
        _file_lines(report),
        _waiver_lines(report, width=width),
        _not_proven_lines(report, width=width),
        _not_passed_lines(report, width=width),
        [shown_line(f"output after the run: {report.output_off or 'not recorded'}")],
        [paint(verdict_line(report), report.verdict.verdict)],
    )
    return "\n\n".join("\n".join(section) for section in sections if section) + "\n"


def verdict_line(report: BoardReport) -> str:
    """The one line that says what may be said of the board."""
    text = f"{report.board}: {_verdict_words(report)}{' (simulated bench)' if report.simulated else ''}"
    return shown_line(text)


def _verdict_words(report: BoardReport) -> str:
    verdict = report.verdict.verdict
    interrupted = "" if report.state is RunState.COMPLETE else ", run interrupted"
    missing = f"not run: {', '.join(report.verdict.missing)}" if report.verdict.missing else ""
    if verdict is Verdict.PASS:
        return _pass_words(report)
    if verdict is Verdict.BENCH_ERROR:
        return f"BENCH ERROR: the run proves nothing about the board{interrupted}"
    if verdict is Verdict.NOT_RUN:
        return f"INCOMPLETE ({missing or report.verdict.why}){interrupted}"
    checks = ", ".join(dict.fromkeys(check.name for check in report.not_passed if check.verdict is verdict))
    also = f"; {missing}" if missing else ""
    return f"NOT PASSED ({verdict}): {checks or report.verdict.why}{also}{interrupted}"


def _pass_words(report: BoardReport) -> str:
    count, waived = len(set(report.required)), report.verdict.waived
    open_ = len(report.not_proven)
    left = f"; {open_} {'thing' if open_ == 1 else 'things'} not proven, named in the report" if open_ else ""
    if not waived:
        return f"PASS, {count} of {count} required checks{left}"
    waivers = f"{len(waived)} {'WAIVER' if len(waived) == 1 else 'WAIVERS'}"
    return f"PASSED WITH {waivers} ({', '.join(waived)}), {count - len(waived)} of {count} required checks passed{left}"


def _header_lines(report: BoardReport) -> list[str]:
    started = report.started
    if started is None:
        return [f"{report.board}: the journal does not say what was run", *map(shown_line, report.problems)]
    lines = [
        f"board {started.board}, {started.use}, run {started.run}, {started.utc}",
        f"profile {started.profile}, bench {started.bench}"
        + (", SIMULATED: no board was measured" if started.simulated else ""),
    ]
    if started.simulated_faults:
        lines.append(f"simulated faults: {', '.join(started.simulated_faults)}")
    lines += [f"journal: {problem}" for problem in report.problems]
    return [shown_line(line) for line in lines]


def _judged_lines(report: BoardReport, *, width: int, paint: Callable[[str, Verdict], str]) -> list[str]:
    rows = [_judged_cells(judged) for check in report.checks for judged in check.judged]
    rows += [("", "", "", "", check.verdict.value, seconds_text(check.duration_s)) for check in report.checks]
    widths = column_widths(
        [_HEADINGS, *rows],
        width=width,
        fixed=frozenset((_RULE_COLUMN, _VERDICT_COLUMN, _TIME_COLUMN)),
    )
    right = frozenset((_TIME_COLUMN,))
    lines = row_lines(_HEADINGS, widths, right=right)
    lines.append("-" * len("  ".join("x" * each for each in widths)))
    for check in report.checks:
        lines += _check_lines(check, widths, paint=paint)
        for judged in check.judged:
            lines += row_lines(
                _judged_cells(judged), widths, right=right, paint=_painter(_VERDICT_COLUMN, judged.verdict, paint)
            )
    return lines


def _painter(verdict_column: int, verdict: Verdict, paint: Callable[[str, Verdict], str]) -> Callable[[str, int], str]:
    def painted(text: str, column: int) -> str:
        return paint(text, verdict) if column == verdict_column and text.strip() else text

    return painted


def _check_lines(check: CheckReport, widths: Sequence[int], *, paint: Callable[[str, Verdict], str]) -> list[str]:
    """A check's own row: its name and title run over the columns that its values use below."""
    title = f": {check.title}" if check.title else ""
    cells = (shown_line(f"{check.label}{title}"), check.verdict.value, seconds_text(check.duration_s))
    joined = (sum(widths[:_VERDICT_COLUMN]) + 2 * (_VERDICT_COLUMN - 1), *widths[_VERDICT_COLUMN:])
    return row_lines(cells, joined, right=frozenset((2,)), paint=_painter(1, check.verdict, paint))


def _judged_cells(judged: LimitJudged | FactJudged) -> tuple[str, ...]:
    if isinstance(judged, LimitJudged):
        what, measured, limits, rule = judged.limit, measured_text(judged), limits_text(judged), judged.rule
    else:
        what, measured, limits, rule = judged.fact, judged.seen, judged.expected, ""
    return f"  {shown_line(what)}", shown_line(measured), shown_line(limits), shown_line(rule), judged.verdict.value, ""


def _time_lines(report: BoardReport) -> list[str]:
    """Phases by time, as a share of the run; without its end, as a share of what the checks recorded."""
    phases = sorted(report.phases_s.items(), key=lambda phase: (-phase[1], phase[0]))
    recorded_s = sum(report.phases_s.values())
    whole_s = max(report.duration_s or 0.0, recorded_s)
    if whole_s <= 0.0:
        return []
    if whole_s - recorded_s > 0.0005 * whole_s:
        phases.append((_ELSEWHERE, whole_s - recorded_s))
    rows = [(f"  {shown_line(name)}", seconds_text(s), f"{100.0 * s / whole_s:.1f} %") for name, s in phases]
    widths = column_widths(rows, width=80, fixed=frozenset((1, 2)))
    lines = [f"where the time went ({seconds_text(whole_s)} of bench time)"]
    for row in rows:
        lines += row_lines(row, widths, right=frozenset((1, 2)))
    if report.critical_path_s:
        lines.append(
            f"  the board's own periods alone: {seconds_text(report.critical_path_s)}; this run took "
            f"{whole_s / report.critical_path_s:.2f} times that"
        )
    return lines


def _event_lines(report: BoardReport, *, width: int) -> list[str]:
    """What is said again in the same words is said once, with how often and until when."""
    equal: dict[tuple[str, str, str], list[float]] = {}
    for event in report.events:
        if event.kind not in _ROUTINE:
            equal.setdefault((event.kind, event.charged_to, event.text), []).append(event.at_s)
    lines = ["what else happened"] if equal else []
    for (kind, charged_to, text), at_s in equal.items():
        again = f", {len(at_s)} times until {at_s[-1]:.2f} s" if len(at_s) > 1 else ""
        charged = f", charged to {charged_to}" if charged_to else ""
        first, *others = text.split("\n")
        if others:  # lines of a board stand below each other, as it said them
            first, others = "", [first, *others]
        told = f"{at_s[0]:.2f} s{again}: {kind}{charged}:{f' {first}' if first else ''}"
        lines += paragraph(shown_line(told), width=width, indent="  ")
        for other in others:
            lines += paragraph(shown_line(other), width=width, indent="    ")
    return lines


def _annex_sections(report: BoardReport) -> list[list[str]]:
    """Tables that a check laid out itself: each line as it stands."""
    return [
        [shown_line(one.title), *(f"  {shown_line(line)}".rstrip() for line in one.lines)] for one in report.annexes
    ]


def _file_lines(report: BoardReport) -> list[str]:
    lines = [shown_line(f"  {one.kind} {one.title}: {one.path}") for one in report.files]
    return ["files beside the journal", *lines] if lines else []


def _waiver_lines(report: BoardReport, *, width: int) -> list[str]:
    """Who accepted what before the run, and whether this run made use of it."""
    lines: list[str] = []
    used = {check.name for check in report.checks if check.verdict is Verdict.WAIVED}
    for one in report.waivers:
        use = "waived" if one.check in used else "was not needed"
        told = f"{one.check}: {use}; by {one.who} until {one.until}: {one.why}"
        lines += paragraph(shown_line(told), width=width, indent="  ")
    return ["waivers of this run", *lines] if lines else []


def _not_proven_lines(report: BoardReport, *, width: int) -> list[str]:
    lines: list[str] = []
    for one in report.not_proven:
        lines += paragraph(shown_line(f"{one.check}: {one.text}" if one.check else one.text), width=width, indent="  ")
        lines += _reason_lines("", one.next_action, width=width)
    return ["not proven by this run", *lines] if lines else []


def _not_passed_lines(report: BoardReport, *, width: int) -> list[str]:
    lines: list[str] = []
    for alike in _alike(report.not_passed):
        check = alike[0]
        named = ", ".join(one.label for one in alike)
        lines += paragraph(shown_line(f"{named}: {check.verdict}"), width=width, indent="  ")
        if check.next_action or not check.violated:  # else the values below say it all
            lines += _reason_lines(check.why, check.next_action, width=width)
        for judged in check.violated:
            lines += paragraph(_violation(judged), width=width, indent="    ")
            lines += _reason_lines(judged.why, judged.next_action, width=width, indent="      ")
    if report.state is not RunState.COMPLETE:
        lines += paragraph(shown_line(f"run interrupted: {report.state_why}"), width=width, indent="  ")
    return ["not passed", *lines] if lines else []


def _alike(checks: Sequence[CheckReport]) -> list[list[CheckReport]]:
    """Checks one after the other that did not run for the same reason: it is told once."""
    groups: list[list[CheckReport]] = []
    for check in checks:
        before = groups[-1][0] if groups else None
        is_alike = (
            before is not None
            and check.verdict is before.verdict is Verdict.NOT_RUN
            and (check.why, check.next_action) == (before.why, before.next_action)
            and not (check.judged or before.judged)
        )
        if is_alike:
            groups[-1].append(check)
        else:
            groups.append([check])
    return groups


def _violation(judged: LimitJudged | FactJudged) -> str:
    what, measured, limits, _, verdict, _ = _judged_cells(judged)
    wanted = "limits" if isinstance(judged, LimitJudged) else "expected"
    return f"{what.strip()}: {measured}, {wanted} {limits}: {verdict}"


def _reason_lines(why: str, next_action: str, *, width: int, indent: str = "    ") -> list[str]:
    lines = paragraph(shown_line(f"why: {why}"), width=width, indent=indent) if why else []
    if next_action:
        lines += paragraph(shown_line(f"next: {next_action}"), width=width, indent=indent)
    return lines
