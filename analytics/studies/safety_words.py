"""What analyses say wherever their tables show stops that protect people."""

PROTECTIVE_STOPS = (
    "Emergency stops and opened guards are listed apart. They protect people: the tool never counts them among what "
    "to shorten, and how a protective device works is for the machine's responsible person to decide "
    "(ISO 12100, ISO 13849-1, ISO 13850)."
)
