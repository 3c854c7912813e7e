"""The table: what the controller gets, made from a profile, as integers and as bytes."""

from mapper.table.compile import CompileError, compile_table
from mapper.table.decode import DecodeError, decode_table, table_digest
from mapper.table.encode import EncodeError, encode_table
from mapper.table.table import CoupledStop, Curve, JointTable, MachineTable, Sensor, Table, Track

__all__ = [
    "CompileError",
    "CoupledStop",
    "Curve",
    "DecodeError",
    "EncodeError",
    "JointTable",
    "MachineTable",
    "Sensor",
    "Table",
    "Track",
    "compile_table",
    "decode_table",
    "encode_table",
    "table_digest",
]
