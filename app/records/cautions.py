"""The usual cautions, one text for screens, command line and record."""

CAUTIONS = (
    "This tool guards the order of the work and keeps its record. It does not see the housing.",
    (
        "The site's own instructions, the safety officer, licensed practice and local codes come first, "
        "then the housing's own manual."
    ),
    "Figures marked “common practice, no source” are starting points; the site's value replaces them.",
    "When in doubt: stop, make safe, ask. Anyone may stop the job at any time.",
)
NO_COMPLIANCE = "Nothing here claims compliance with any regulation or standard."
REHEARSAL = "REHEARSAL — no work was done, no person acted, no filter moved."
