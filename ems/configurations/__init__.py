"""From a layout to its configurations: what can be engaged, and where power can flow then."""

from ems.configurations.derive import derive
from ems.configurations.kinematics import WHEEL, ActuatorState
from ems.configurations.model import Configuration, Derivation, EngineState, Interlock, Kind

__all__ = ["WHEEL", "ActuatorState", "Configuration", "Derivation", "EngineState", "Interlock", "Kind", "derive"]
