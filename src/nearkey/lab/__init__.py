"""The lab: a local server and page that make a phone, tablet or laptop into apparatus, and take touches from
prototypes.
"""

from nearkey.lab.apparatus import Apparatus, fit_affine
from nearkey.lab.forgetting import Forgotten, forget_participant
from nearkey.lab.lab_messages import LabReply, LabRequest
from nearkey.lab.lab_plan import LabPlan
from nearkey.lab.laboratory import Laboratory

__all__ = [
    "Apparatus",
    "Forgotten",
    "LabPlan",
    "LabReply",
    "LabRequest",
    "Laboratory",
    "fit_affine",
    "forget_participant",
]
