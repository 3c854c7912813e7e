"""Replay: recordings, faults, the plant, the run of a recording through law and plant, its trace and its report."""

from mapper.replay._library import CompiledPlant
from mapper.replay.faults import CountFault, Fault, FaultError, FaultWires, read_fault
from mapper.replay.inputs import Note, Prepared, operator_names, prepare_inputs
from mapper.replay.lockstep import Difference, first_difference, run_lockstep
from mapper.replay.plant import CORNERS, Plant, PlantParameters, plant_parameters
from mapper.replay.recording import Column, Recording, RecordingError, read_recording
from mapper.replay.report import report_html
from mapper.replay.run import ReadyReplay, Trace, about, make_trace, ready_replay, run_replay
from mapper.replay.stops import JointStop, Stop, Stops, find_stops
from mapper.replay.summary import Event, FaultOutcome, JointSummary, RunOn, Summary, pressure_words, summarise
from mapper.replay.trace import trace_columns, trace_csv

__all__ = [
    "CORNERS",
    "Column",
    "CompiledPlant",
    "CountFault",
    "Difference",
    "Event",
    "Fault",
    "FaultError",
    "FaultOutcome",
    "FaultWires",
    "JointStop",
    "JointSummary",
    "Note",
    "Plant",
    "PlantParameters",
    "Prepared",
    "ReadyReplay",
    "Recording",
    "RecordingError",
    "RunOn",
    "Stop",
    "Stops",
    "Summary",
    "Trace",
    "about",
    "find_stops",
    "first_difference",
    "make_trace",
    "operator_names",
    "plant_parameters",
    "prepare_inputs",
    "pressure_words",
    "read_fault",
    "read_recording",
    "ready_replay",
    "report_html",
    "run_lockstep",
    "run_replay",
    "summarise",
    "trace_columns",
    "trace_csv",
]
