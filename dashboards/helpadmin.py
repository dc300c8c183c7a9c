"""What the pages that describe the fleet tell, and what that does not know."""

from dashboards.helpfood import Help
from dashboards.language import Phrase

ADMIN: dict[str, Help] = {
    "credential": Help(
        Phrase("Credential and sensor of a cabinet"),
        Phrase(
            "With its credential a unit comes in at the broker, under its own name only. Never seen means: "
            "nothing came from it since it was given one; shut out means it was taken away."
        ),
        Phrase("What was written down when credentials were given and taken; times of readings as received."),
        Phrase(
            "Whether the secret was typed into the right unit. Sensors stand here as they were described, "
            "which nobody measured."
        ),
    ),
}
