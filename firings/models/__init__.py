"""All rows of the kiln work, one file per noun."""

from .after import CheckItem, Checklist, Damage, Outcome
from .bookings import Allotment, Booking, FitPlan, Piece
from .feeds import CalendarFeed
from .firings import Firing, FiringReview, FiringZone, GuestPass, StageMove
from .furniture import FurnitureLot, FurnitureMove
from .kilns import CrewPhase, Kiln, Material, PostSet, PostSpot, Probe, TemplateItem, WoodMove, WoodStack, Zone
from .load_plans import Layer, LoadPlan, Placement
from .log import LogEntry, Logger, LogPicture
from .on_call import OnCall, WatchCall, WatchPresence
from .rosters import CrewNews, PlaceQuestion, WatchSwap, WishLimits
from .watches import (
    Chore,
    ChorePlace,
    HandOver,
    HoursEntry,
    PlaceOffer,
    Watch,
    WatchPlace,
    WatchProposal,
    Wish,
)

__all__ = [
    "Allotment",
    "Booking",
    "CalendarFeed",
    "CheckItem",
    "Checklist",
    "Chore",
    "ChorePlace",
    "CrewNews",
    "CrewPhase",
    "Damage",
    "Firing",
    "FiringReview",
    "FiringZone",
    "FitPlan",
    "FurnitureLot",
    "FurnitureMove",
    "GuestPass",
    "HandOver",
    "HoursEntry",
    "Kiln",
    "Layer",
    "LoadPlan",
    "LogEntry",
    "LogPicture",
    "Logger",
    "Material",
    "OnCall",
    "Outcome",
    "Piece",
    "PlaceOffer",
    "PlaceQuestion",
    "Placement",
    "PostSet",
    "PostSpot",
    "Probe",
    "StageMove",
    "TemplateItem",
    "Watch",
    "WatchCall",
    "WatchPlace",
    "WatchPresence",
    "WatchProposal",
    "WatchSwap",
    "Wish",
    "WishLimits",
    "WoodMove",
    "WoodStack",
    "Zone",
]
