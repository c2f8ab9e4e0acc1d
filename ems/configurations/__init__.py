"""From a layout to its configurations: what can be engaged, and where power can flow then."""

from ems.configurations.derive import derive
from ems.configurations.kinematics import WHEEL, ActuatorState
from ems.configurations.model import (
    Configuration,
    Derivation,
    Drag,
    EngineState,
    Interlock,
    Kind,
    LoadLimit,
    Slip,
    SpeedLimit,
)

__all__ = ["WHEEL", "ActuatorState", "Configuration", "Derivation", "Drag", "EngineState", "Interlock", "Kind",
           "LoadLimit", "Slip", "SpeedLimit", "derive"]
