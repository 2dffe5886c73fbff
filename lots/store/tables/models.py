"""All tables, with their constraints. The rules of the trade are in the domain.

Readings, voids, decisions, revisions and load refusals are only ever added. A load is completed once, by its unload.
"""

from __future__ import annotations

from peewee import SQL

from lots.store.tables.decisions import Concession, CorrectiveAction, Decision, Letter, LetterSent, Reinspection
from lots.store.tables.deliveries import Certificate, Delivery, DeliveryCorrection
from lots.store.tables.history import Chain, Event
from lots.store.tables.loads import Containment, Job, Load, LoadRefusal, Machine
from lots.store.tables.lots import Lot
from lots.store.tables.readings import (
    BuildDoubt,
    Reading,
    ReadingConfirmation,
    ReadingExclusion,
    ReadingVoid,
    VoidAgreement,
)
from lots.store.tables.row import Row
from lots.store.tables.samples import SampleDraw, SampleSubstitute
from lots.store.tables.setup import (
    Grade,
    Import,
    Instrument,
    InstrumentCheck,
    LimitsRevision,
    RepeatedRequest,
    SchemaVersion,
    SearchKey,
    Shade,
    ShadeRevision,
    ShopDetails,
    Token,
    WebSession,
)
from lots.store.tables.spools import Drying, Spool, SpoolLot, SpoolParent
from lots.store.tables.studies import STUDY_TABLES
from lots.store.tables.suppliers import Baseline, Resumption, Supplier
from lots.store.tables.test_prints import TestPrint, TestPrintRevision
from lots.store.tables.visual_trials import VisualTrial
from lots.store.tables.webhooks import Webhook, WebhookMessage

# The index ensures that a spool is on one machine at a time.
Load.add_index(SQL("CREATE UNIQUE INDEX IF NOT EXISTS load_open_spool ON load (spool_id) WHERE unloaded_at IS NULL"))
# A partial index, so that a query of a machine's open loads reads no ended ones.
Load.add_index(SQL("CREATE INDEX IF NOT EXISTS load_open_machine ON load (on_machine_id) WHERE unloaded_at IS NULL"))


TABLES = (
    SchemaVersion,
    ShopDetails,
    SearchKey,
    Token,
    WebSession,
    RepeatedRequest,
    Supplier,
    Shade,
    Instrument,
    InstrumentCheck,
    ShadeRevision,
    Grade,
    LimitsRevision,
    TestPrint,
    TestPrintRevision,
    *STUDY_TABLES,
    VisualTrial,
    Lot,
    Delivery,
    DeliveryCorrection,
    Certificate,
    Spool,
    SampleDraw,
    SampleSubstitute,
    SpoolParent,
    SpoolLot,
    Drying,
    Reading,
    ReadingVoid,
    VoidAgreement,
    ReadingConfirmation,
    BuildDoubt,
    ReadingExclusion,
    Decision,
    Reinspection,
    Concession,
    Resumption,
    Job,
    Machine,
    Load,
    Containment,
    LoadRefusal,
    Baseline,
    CorrectiveAction,
    Letter,
    LetterSent,
    Import,
    Chain,
    Event,
    Webhook,
    WebhookMessage,
)

__all__ = [
    "TABLES",
    "Baseline",
    "BuildDoubt",
    "Certificate",
    "Chain",
    "Concession",
    "Containment",
    "CorrectiveAction",
    "Decision",
    "Delivery",
    "DeliveryCorrection",
    "Drying",
    "Event",
    "Grade",
    "Import",
    "Instrument",
    "InstrumentCheck",
    "Job",
    "LimitsRevision",
    "Load",
    "LoadRefusal",
    "Lot",
    "Machine",
    "Reading",
    "ReadingConfirmation",
    "ReadingExclusion",
    "ReadingVoid",
    "Reinspection",
    "RepeatedRequest",
    "Resumption",
    "Row",
    "SampleDraw",
    "SampleSubstitute",
    "SchemaVersion",
    "SearchKey",
    "Shade",
    "ShadeRevision",
    "ShopDetails",
    "Spool",
    "SpoolLot",
    "SpoolParent",
    "Supplier",
    "TestPrint",
    "TestPrintRevision",
    "Token",
    "VisualTrial",
    "VoidAgreement",
    "WebSession",
    "Webhook",
    "WebhookMessage",
]
