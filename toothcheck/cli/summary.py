"""The commands by name and first line: all that ``toothcheck --help`` shows, without loading what they do.

Typer builds every option of every command before it prints one line; that takes longer than all imports together.  A
test holds this list against the commands themselves.
"""

COMMANDS = (
    ("inspect", "Measure a sprocket's teeth in a photo and grade their wear."),
    ("compare", "Lay two photos of one part on each other and say what each tooth lost."),
    (
        "demo",
        "Inspect a made photo that comes with the package; leave photo, pictures, numbers and report in a folder.",
    ),
    ("trend", "Wear against distance: rate, and when each band is reached, with an 80 % interval."),
    (
        "due",
        "List every fitted sprocket of the fleet, worst first, with what falls due and when, and chains that are due.",
    ),
    ("stretch", "Measure how far a chain has stretched, and hold it against the limit of its model."),
    ("match", "Compare an old and a new sprocket, field by field: fits, differs, cannot tell."),
    ("advise", "Make one plan of grades, chain, adjuster, age and distance: nothing, watch, chain only, set."),
    (
        "report",
        "Write a report: grade and confidence, the most worn tooth beside the ideal, every number, cautions, method.",
    ),
    ("lesson", "Make the lesson: an interactive tooth, why hooks lean where they lean, and cases that fool the eye."),
    (
        "form",
        "Show the key dimensions of a new sprocket and what is uncertain of them; write its outlines as SVG and DXF.",
    ),
    ("card", "Write a scale card, ready to print at true size, with what to do printed on it."),
    ("logbook", "Keep what was fitted to which machine when, and every reading. Nothing is ever overwritten."),
    ("exercise", "Photos to grade with the answers hidden, and how well a class agrees with the truth."),
    ("synthetic", "Make photos of invented sprockets with known wear, to test and to practise on."),
    ("survey", "Make many photos of known wear, inspect them, and count up how right the answers are."),
)
