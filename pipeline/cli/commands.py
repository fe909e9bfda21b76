"""The commands: each finds its job, calls what does the work, hands the result to ``report``."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.guard import Debug, JobOption, JsonOption, ends_in_words, job_folder, print_json

if TYPE_CHECKING:
    from pipeline.cli.progress import FrameProgress
    from pipeline.workplace import Wish

app = typer.Typer(
    help="A post-production pipeline for still photographers.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Frames = Annotated[
    list[str] | None,
    typer.Argument(metavar="FRAME", help='Names, ranges such as "QL00[02-19]", or globs.'),
]
NamedFrames = Annotated[
    list[str],
    typer.Argument(metavar="FRAME", help='Names, ranges such as "QL00[02-19]", or globs.'),
]
Where = Annotated[
    str | None,
    typer.Option(
        "--where", metavar="CONDITION", help="Only those, such as 'rating >= 4 and not stale'."
    ),
]
Deliveries = Annotated[
    list[str], typer.Argument(metavar="NAME", help="Deliveries that job.yaml defines.")
]
Wait = Annotated[
    float,
    typer.Option("--wait", metavar="SECONDS", min=0, help="Wait for another run on this job."),
]
EngineName = Annotated[
    str | None,
    typer.Option(
        "--engine", metavar="NAME", help="here, prefect or dask; default: what job.yaml says."
    ),
]
Scheduler = Annotated[
    str | None,
    typer.Option("--scheduler", metavar="ADDRESS", help="Of the Dask cluster, tcp://HOST:PORT."),
]
Serve = Annotated[
    bool,
    typer.Option("--serve", help="Start a Prefect server on this machine where none runs yet."),
]
By = Annotated[str | None, typer.Option("--by", metavar="NAME", help="Whose word it is.")]
Note = Annotated[
    str | None, typer.Option("--note", metavar="TEXT", help="What there is to say about it.")
]
Due = Annotated[
    str | None, typer.Option("--due", metavar="DAY", help="When it should be back: 2026-05-20.")
]


def _show_version(wanted: bool) -> None:
    if wanted:
        from pipeline import __version__

        print(f"safelight {__version__}")
        raise typer.Exit


@app.callback()
def every_command(
    debug: Annotated[bool, typer.Option("--debug", help="Show where an error came from.")] = False,
    version: Annotated[
        bool,
        typer.Option("--version", help="Print the version.", callback=_show_version, is_eager=True),
    ] = False,
) -> None:
    """A post-production pipeline for still photographers."""
    Debug.on = debug


@app.command()
@ends_in_words
def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where the job goes.")] = Path(
        "demo-job"
    ),
    megapixels: Annotated[
        float, typer.Option(min=0.1, max=60, help="Size of the demo shoot's raws.")
    ] = 6.0,
) -> int:
    """Make a demo shoot and take it through the whole job."""
    from pipeline.cli.demo import demonstrate

    return demonstrate(folder, megapixels)


@app.command()
@ends_in_words
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The job's folder.")],
) -> int:
    """Make a new job with commented files."""
    from pipeline.cli.new import write_new_job

    write_new_job(folder)
    return 0


@app.command()
@ends_in_words
def ingest(
    sources: Annotated[
        list[Path] | None,
        typer.Argument(metavar="SOURCE", help="Cards, folders or files to copy in."),
    ] = None,
    second_copy: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Copy everything there too, in the same pass."),
    ] = None,
    link: Annotated[
        bool, typer.Option("--link", help="Leave originals where they are, noted by their digests.")
    ] = False,
    job: JobOption = None,
    as_json: JsonOption = False,
) -> int:
    """Copy originals in, each copy verified, and note what the camera recorded."""
    from dataclasses import asdict

    from pipeline.cli import progress, report
    from pipeline.ingest import ingest as take_in

    folder = job_folder(job)
    with progress.counting("copying") as count:
        done = take_in(folder, sources or [], count, second_copy=second_copy, link=link)
    if as_json:
        print_json(
            {
                "new": [state.name for state in done.new],
                "known": done.known,
                "renamed": [{"file": k, "frame": v} for k, v in done.renamed.items()],
                "moved": done.moved,
                "again": done.again,
                "along": [asdict(companion) for companion in done.along],
                "failed": [{"file": k, "reason": v} for k, v in done.failed.items()],
                "left": [{"file": k, "reason": v} for k, v in done.left.items()],
                "notes": done.notes,
                "copies": done.proof,
                "second_copy": {
                    "folder": None if second_copy is None else str(second_copy),
                    "files": done.copied_twice,
                    "missing": done.not_twice,
                    "reason": done.refusal,
                },
            }
        )
    else:
        report.ingested(done, in_place=link or not sources, second_copy=second_copy)
    return done.exit_code


@app.command("frames")
@ends_in_words
def list_frames(
    frames: Frames = None,
    where: Where = None,
    paths: Annotated[
        bool, typer.Option("--paths", help="Print where each original lies, one a line.")
    ] = False,
    job: JobOption = None,
    as_json: JsonOption = False,
) -> int:
    """List frames: all, those named, or those of which a condition holds."""
    from pipeline.cli import sorting as words
    from pipeline.errors import InvalidInput, Problem
    from pipeline.manifest import Manifest
    from pipeline.sorting import frames_meant

    if paths and as_json:
        raise InvalidInput([Problem("frames", 0, "", "--json and --paths", "one of them")])
    folder = job_folder(job)
    with Manifest.open(folder) as manifest:
        rows = frames_meant(folder, manifest, frames or [], where)
    if as_json:
        print_json({"frames": rows})
    elif paths:
        for row in rows:
            print(row["original"])
    else:
        words.frames(rows)
    return 0


@app.command(context_settings={"ignore_unknown_options": True})
@ends_in_words
def rate(
    rating: Annotated[int, typer.Argument(metavar="N", help="-1 rejected, 0 unrated, 1 to 5.")],
    frames: Frames = None,
    where: Where = None,
    suggested: Annotated[
        bool,
        typer.Option("--suggested", help="Only unrated frames that the assessment would keep."),
    ] = False,
    job: JobOption = None,
) -> int:
    """Rate frames, in the manifest and in the XMP beside each original's copy."""
    from pipeline.cli.report import few
    from pipeline.rating import rate as give

    rated = give(job_folder(job), rating, frames or [], where=where, suggested=suggested)
    for note in rated.notes:
        print(note)
    count = f"{len(rated.frames)} rated {rating}"
    print(f"{count}: {few(rated.frames)}" if rated.frames else f"{count}.")
    return 0


@app.command()
@ends_in_words
def setups(
    write: Annotated[
        bool, typer.Option("--write", help="Write each as setups/NAME.yaml, to go on with.")
    ] = False,
    job: JobOption = None,
    as_json: JsonOption = False,
) -> int:
    """Propose setups for frames that are in none, by pauses and changes of light."""
    from pipeline.cli import sorting as words
    from pipeline.proposing import propose

    found = propose(job_folder(job), write=write)
    if as_json:
        print_json(words.setups_as_json(found))
    else:
        words.setups(found)
    return 0


@app.command()
@ends_in_words
def assign(
    shot: Annotated[str, typer.Argument(metavar="SHOT", help="One that job.yaml lists.")],
    frames: NamedFrames,
    remove: Annotated[bool, typer.Option("--remove", help="They serve it no longer.")] = False,
    job: JobOption = None,
) -> int:
    """Let frames serve a shot that the client asked for, in the frames' files."""
    from pipeline.assigning import assign as write_down
    from pipeline.cli import sorting as words

    done = write_down(job_folder(job), shot, frames, remove=remove)
    words.assigned(shot, done, remove=remove)
    return 0


@app.command()
@ends_in_words
def assess(
    frames: Frames = None,
    dust: Annotated[
        bool, typer.Option("--dust", help="Find dust on the sensor, and its spots in each frame.")
    ] = False,
    job: JobOption = None,
    as_json: JsonOption = False,
) -> int:
    """Measure what was shot and suggest what to keep; no rating is given, no frame is changed."""
    from pipeline.assess import assess as measure
    from pipeline.assess import assess_dust
    from pipeline.cli import progress, report

    folder = job_folder(job)
    if dust:
        with progress.counting("looking for dust") as count:
            spots = assess_dust(folder, frames or [], count=count)
        if as_json:
            print_json(report.dust_as_json(spots))
        else:
            report.dust(spots, show_details=Debug.on)
        return spots.exit_code
    with progress.counting("measuring") as count:
        done = measure(folder, frames or [], count=count)
    if as_json:
        print_json(report.assessed_as_json(done))
    else:
        report.assessed(done, show_details=Debug.on)
    return done.exit_code


@app.command()
@ends_in_words
def proof(
    frames: Frames = None,
    where: Where = None,
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FILE", help="Where it goes; default: reports/contact.pdf."),
    ] = None,
    png: Annotated[
        bool, typer.Option("--png", help="Also each page as PNG, in a folder beside it.")
    ] = False,
    job: JobOption = None,
    as_json: JsonOption = False,
) -> int:
    """Print what was shot as contact pages: every frame small, with what is known of it."""
    from pipeline.cli import progress, report
    from pipeline.contact import contact

    folder = job_folder(job)
    with progress.counting("reading") as count:
        done = contact(folder, frames or [], where=where, to=to, png=png, count=count)
    if as_json:
        print_json(report.contact_as_json(done))
    else:
        report.contact(done)
    return done.exit_code


@app.command()
@ends_in_words
def plan(
    frames: Frames = None,
    deliver: Annotated[
        list[str] | None,
        typer.Option("--deliver", metavar="NAME", help="With this delivery; may be repeated."),
    ] = None,
    job: JobOption = None,
    as_json: JsonOption = False,
) -> int:
    """Say what would be done and why, and do nothing."""
    from pipeline.cli import report
    from pipeline.manifest import Manifest
    from pipeline.survey import survey

    folder = job_folder(job)
    with Manifest.open(folder) as manifest:
        actions = survey(folder, manifest, frames or [], deliver or []).actions
    if as_json:
        keys = ("frame", "action", "reason", "key", "version", "delivery")
        print_json({"actions": [{key: getattr(action, key) for key in keys} for action in actions]})
    else:
        report.plan(actions)
    return 0


@app.command()
@ends_in_words
def run(
    frames: Frames = None,
    engine: EngineName = None,
    scheduler: Scheduler = None,
    serve: Serve = False,
    job: JobOption = None,
    wait: Wait = 0.0,
    as_json: JsonOption = False,
) -> int:
    """Develop what the plan says, each select into a 16-bit master."""
    folder = job_folder(job)
    wish = _wish(folder, engine, scheduler, serve)
    return _run(folder, frames or [], [], wish, wait, as_json)


@app.command()
@ends_in_words
def deliver(
    names: Deliveries,
    frames: Annotated[
        list[str] | None,
        typer.Option("--frame", metavar="FRAME", help="Only this frame; may be repeated."),
    ] = None,
    engine: EngineName = None,
    scheduler: Scheduler = None,
    serve: Serve = False,
    job: JobOption = None,
    wait: Wait = 0.0,
    as_json: JsonOption = False,
) -> int:
    """Make deliveries; what is not developed yet is developed in the same pass."""
    folder = job_folder(job)
    wish = _wish(folder, engine, scheduler, serve)
    return _run(folder, frames or [], names, wish, wait, as_json)


@app.command()
@ends_in_words
def pack(
    name: Annotated[str, typer.Argument(metavar="NAME", help="A delivery that job.yaml defines.")],
    zipped: Annotated[
        bool, typer.Option("--zip", help="Also as one ZIP file beside the folder.")
    ] = False,
    job: JobOption = None,
    wait: Wait = 0.0,
    as_json: JsonOption = False,
) -> int:
    """Pack what is delivered: checksums, a proof sheet, a page, and what changed since."""
    from pipeline.bagging import bag_delivery
    from pipeline.cli import progress, report

    folder = job_folder(job)
    with progress.counting("copying") as count:
        done = bag_delivery(folder, name, zipped=zipped, count=count, wait_s=wait)
    if as_json:
        print_json(report.packed_as_json(done))
    else:
        report.packed(done)
    return 0


@app.command()
@ends_in_words
def schedule(
    cards: Annotated[
        list[Path] | None,
        typer.Option("--cards", metavar="DIR", help="Where cards appear; may be repeated."),
    ] = None,
    returns: Annotated[
        list[Path] | None,
        typer.Option("--returns", metavar="DIR", help="Where retouched files arrive; the same."),
    ] = None,
    every: Annotated[
        float, typer.Option(min=1, max=86400, metavar="SECONDS", help="How often to look.")
    ] = 15.0,
    serve: Serve = False,
    job: JobOption = None,
) -> int:
    """Watch folders for new cards and returned retouches, take them in, and do what is planned.

    Runs until Ctrl-C; each time is a run on a Prefect server's page, which can start and cancel it.
    """
    from pipeline.tending import look_after

    def say(page: str) -> None:
        print(f"Watching; runs are shown at {page}. Ctrl-C ends it.", flush=True)

    look_after(job_folder(job), cards or [], returns or [], every, serve=serve, say=say)
    return 0


def _wish(folder: Path, engine: str | None, scheduler: str | None, serve: bool) -> Wish | None:
    """Where the command line asks for the work to be done; None where job.yaml says it all."""
    from pipeline.workplace import wish_for

    if engine is None and scheduler is None and not serve:
        return None
    return wish_for(folder, engine, scheduler, serve=serve)


def _run(
    folder: Path,
    frames: list[str],
    deliveries: list[str],
    wish: Wish | None,
    wait_s: float,
    as_json: bool,
) -> int:
    from pipeline.cli import report
    from pipeline.run import Stopped
    from pipeline.run import run as carry_out

    try:
        with _progress("developing", as_json) as listener:
            done = carry_out(
                folder, frames, deliveries, engine=wish, listener=listener, wait_s=wait_s
            )
    except Stopped as stopped:
        if not as_json:
            report.notes(stopped.report)  # the next run does these frames no more
        raise
    if as_json:
        print_json(report.as_json(done))
    else:
        report.done(done, named=bool(frames), show_details=Debug.on)
    return done.exit_code


def _progress(what: str, as_json: bool) -> AbstractContextManager[FrameProgress | None]:
    if as_json:
        return nullcontext()
    from pipeline.cli.progress import FrameProgress

    return FrameProgress(what)


@app.command()
@ends_in_words
def status(job: JobOption = None, as_json: JsonOption = False) -> int:
    """Show every frame's state, version, and what is stale; the next thing to do on top."""
    from pipeline.cli import report
    from pipeline.manifest import Manifest
    from pipeline.survey import survey

    folder = job_folder(job)
    with Manifest.open(folder) as manifest:
        found = survey(folder, manifest, delivered=True).status
        if as_json:
            assessed = manifest.assessed()
            found["assessed"] = {name: report.suggested(one) for name, one in assessed.items()}
    if as_json:
        print_json(found)
    else:
        report.status(found)
    return 0


@app.command()
@ends_in_words
def approve(
    frames: NamedFrames,
    by: By = None,
    note: Note = None,
    job: JobOption = None,
) -> int:
    """Take a person's word that the current version of each frame is final."""
    from pipeline.rating import approve as take_word

    approved = take_word(job_folder(job), frames, by, note)
    for frame, number in approved.already.items():
        print(f"{frame}: v{number} is approved already; nothing changed")
    for frame, (_, waived) in approved.frames.items():
        for request in waived:
            print(f"{frame}: without {request.what}")
    if approved.frames:
        versions = (f"{frame} v{number}" for frame, (number, _) in approved.frames.items())
        print("approved: " + ", ".join(versions))
    return 0


@app.command()
@ends_in_words
def ask(
    frame: Annotated[str, typer.Argument(metavar="FRAME")],
    what: Annotated[str, typer.Argument(metavar="TEXT", help="What the retoucher should do.")],
    where: Annotated[
        str | None,
        typer.Option("--where", metavar="MASK", help="A mask in YAML, or the name of one."),
    ] = None,
    must: Annotated[
        bool, typer.Option("--must", help="Undone, it is named when the file comes back.")
    ] = False,
    by: By = None,
    due: Due = None,
    job: JobOption = None,
) -> int:
    """Ask something of the retoucher, in the frame's file."""
    from pipeline.asking import ask as write_down

    request = write_down(job_folder(job), frame, what, where=where, must=must, by=by, due=due)
    print(f"{frame} {request.number}: {request.what}")
    return 0


@app.command()
@ends_in_words
def handoff(
    to: Annotated[str, typer.Option("--to", metavar="NAME", help="Who retouches them.")],
    frames: Frames = None,
    due: Due = None,
    supersede: Annotated[
        bool, typer.Option("--supersede", help="Also frames that are out: this counts instead.")
    ] = False,
    job: JobOption = None,
    wait: Wait = 0.0,
    as_json: JsonOption = False,
) -> int:
    """Make a folder for the retoucher; without frames, of all selects that still have to go out."""
    from pipeline.cli import rounds as words
    from pipeline.handoff import hand_off

    folder = job_folder(job)
    with _progress("handing off", as_json) as listener:
        done = hand_off(
            folder, frames or [], to, due, supersede=supersede, listener=listener, wait_s=wait
        )
    if as_json:
        print_json(words.handed_off_as_json(done))
    else:
        words.handed_off(done)
    return done.exit_code


@app.command()
@ends_in_words
def takeback(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE", help="Files or folders that came back.")
    ],
    accept: Annotated[
        bool, typer.Option("--accept", help="Take also what is only questioned.")
    ] = False,
    assume: Annotated[
        str | None,
        typer.Option("--assume", metavar="SPACE", help="Of files without a colour profile."),
    ] = None,
    flatten: Annotated[
        bool, typer.Option("--flatten", help="Flatten transparency and further pages.")
    ] = False,
    note: Note = None,
    job: JobOption = None,
    wait: Wait = 0.0,
    as_json: JsonOption = False,
) -> int:
    """Examine retouched files, keep a copy of each, and build the next versions on them."""
    from pipeline.cli import rounds as words
    from pipeline.retouch import take_back

    folder = job_folder(job)
    with _progress("taking back", as_json) as listener:
        done = take_back(
            folder,
            files,
            accept=accept,
            note=note,
            assume=assume,
            flatten=flatten,
            listener=listener,
            wait_s=wait,
        )
    if as_json:
        print_json(words.taken_back_as_json(done))
    else:
        words.taken_back(done)
    return done.exit_code


@app.command()
@ends_in_words
def settle(
    frames: NamedFrames,
    keep: Annotated[
        bool, typer.Option("--keep", help="The retouch stands, whatever changed since.")
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="It is set aside; the frame goes out anew.")
    ] = False,
    carry: Annotated[
        bool, typer.Option("--carry", help="What was retouched is carried onto the new look.")
    ] = False,
    number: Annotated[
        int | None, typer.Option("--round", metavar="N", help="What came in this round counts.")
    ] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="With --carry: it was looked at, and counts.")
    ] = False,
    note: Note = None,
    job: JobOption = None,
    wait: Wait = 0.0,
) -> int:
    """Decide about retouched frames whose look changed, or go back to an earlier round."""
    from pipeline.cli import rounds as words
    from pipeline.errors import InvalidInput, Problem
    from pipeline.records import HowSettled
    from pipeline.retouch import settle as decide

    ways: dict[HowSettled, bool] = {
        "keep": keep,
        "again": again,
        "carry": carry,
        "round": number is not None,
    }
    chosen = [how for how, given in ways.items() if given]
    allowed = "exactly one of --keep, --again, --carry, --round N"
    if len(chosen) != 1:
        found = f"{len(chosen)} decisions"
        raise InvalidInput([Problem("settle", 0, "", found, allowed)])
    if accept and not carry:
        raise InvalidInput([Problem("settle", 0, "", "--accept alone", "--carry with --accept")])
    (how,) = chosen
    done = decide(
        job_folder(job), frames, how, round_number=number, accept=accept, note=note, wait_s=wait
    )
    words.decided(done, how)
    return done.exit_code


@app.command()
@ends_in_words
def withdraw(frames: NamedFrames, note: Note = None, job: JobOption = None) -> int:
    """Call frames back from the retoucher: nothing is waited for any more."""
    from pipeline.handoff import withdraw as call_back

    for withdrawn in call_back(job_folder(job), frames, note):
        print(f"{withdrawn.frame}: withdrawn from round {withdrawn.round}")
    return 0


@app.command()
@ends_in_words
def history(
    frame: Annotated[str, typer.Argument(metavar="FRAME")],
    job: JobOption = None,
    as_json: JsonOption = False,
) -> int:
    """Tell a frame's story in order."""
    from dataclasses import asdict

    from pipeline.cli import rounds as words
    from pipeline.errors import InvalidInput, Problem
    from pipeline.history import in_words
    from pipeline.manifest import Manifest
    from pipeline.survey import chosen_frames

    with Manifest.open(job_folder(job)) as manifest:
        chosen = sorted(chosen_frames([frame], manifest.frames()))
        if len(chosen) > 1:
            meant = f"it means {len(chosen)} frames"
            raise InvalidInput([Problem(frame, 0, "", meant, "one frame")])
        events = manifest.events(chosen[0])
    if as_json:
        told = [{**asdict(event), "sentence": in_words(event)} for event in events]
        print_json({"frame": chosen[0], "events": told})
    else:
        words.history(events)
    return 0


@app.command()
@ends_in_words
def rounds(
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Also write the rounds as CSV.")
    ] = None,
    job: JobOption = None,
    as_json: JsonOption = False,
) -> int:
    """Account for every round and retoucher: frames, days out, rounds needed."""
    from dataclasses import asdict

    from pipeline.accounts import accounts, to_csv
    from pipeline.cli import rounds as words
    from pipeline.cli.rounds import write_csv
    from pipeline.manifest import Manifest
    from pipeline.manifest.store import utc_now

    with Manifest.open(job_folder(job)) as manifest:
        by_round, by_retoucher = accounts(manifest.frames(), manifest.rounds(), utc_now())
    if csv is not None:
        write_csv(csv, to_csv(by_round))
    if as_json:
        print_json(
            {
                "rounds": [asdict(row) for row in by_round],
                "retouchers": [asdict(row) for row in by_retoucher],
            }
        )
    else:
        words.accounts(by_round, by_retoucher)
    return 0


@app.command()
@ends_in_words
def verify(
    decode: Annotated[
        bool, typer.Option("--decode", help="Also decode every pixel of every picture.")
    ] = False,
    job: JobOption = None,
    as_json: JsonOption = False,
) -> int:
    """Read originals, masters, retouches, deliveries, bags again and compare their digests."""
    from dataclasses import asdict

    from pipeline.cli import progress, report
    from pipeline.errors import NotAsRecorded
    from pipeline.verify import verify as read_again

    folder = job_folder(job)
    with progress.counting("reading") as count:
        files, findings = read_again(folder, count, decode=decode)
    if as_json:
        print_json({"files": files, "findings": [asdict(finding) for finding in findings]})
    else:
        report.verified(files, findings)
    return NotAsRecorded.exit_code if findings else 0


@app.command()
@ends_in_words
def colour(
    export: Annotated[
        Path | None,
        typer.Option(
            "--export", metavar="DIR", help="Also write each setup's correction as CLF and .cube."
        ),
    ] = None,
    job: JobOption = None,
    as_json: JsonOption = False,
) -> int:
    """Measure charts and delivered files against what their colours should be."""
    from pipeline.cli import progress, report
    from pipeline.colour import colour_report, export_corrections, write_page
    from pipeline.proof.report import to_json

    folder = job_folder(job)
    with progress.counting("measuring") as count:
        found = colour_report(folder, count)
    page = write_page(folder, found)
    written = export_corrections(folder, export) if export else []
    if as_json:
        print_json(to_json(found))
    else:
        report.colour(found, page.path, written)
    return 0 if found.passed else 1


@app.command()
@ends_in_words
def show(
    frame: Annotated[str, typer.Argument(metavar="FRAME")],
    masks: Annotated[
        bool, typer.Option("--masks", help="Draw what its masks select, into reports/.")
    ] = False,
    job: JobOption = None,
    as_json: JsonOption = False,
) -> int:
    """Show a frame's resolved recipe, where each value was written, and its history."""
    from pipeline.cli import report
    from pipeline.errors import InvalidInput, Problem
    from pipeline.manifest import Manifest
    from pipeline.survey import survey

    folder = job_folder(job)
    with Manifest.open(folder) as manifest:
        found = survey(folder, manifest, [frame])
        if len(found.frames) > 1:
            meant = f"it means {len(found.frames)} frames"
            raise InvalidInput([Problem(frame, 0, "", meant, "one frame")])
        [resolved] = found.frames
        if masks:
            from pipeline.measuring import Measurements
            from pipeline.showing import draw_masks

            drawn = draw_masks(folder, found, resolved, Measurements(folder, manifest, found))
            print(drawn.path)
            return 0
        events = manifest.events(resolved.frame)
    state = found.states[resolved.frame]
    if as_json:
        print_json(report.frame_as_json(resolved, state, events))
    else:
        report.frame(resolved, state, events)
    return 0


@app.command()
@ends_in_words
def schema(
    kind: Annotated[str, typer.Argument(metavar="job|recipe|setup|frame")],
) -> int:
    """Print the JSON Schema of a kind of file, for an editor that completes and checks."""
    from pipeline.errors import InvalidInput, Problem
    from pipeline.written import MODELS, schema_of

    for known in MODELS:
        if kind == known:
            print_json(schema_of(known))
            return 0
    raise InvalidInput([Problem("schema", 0, "", f"no kind {kind}", ", ".join(MODELS))])
