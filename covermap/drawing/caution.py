"""The caution that goes with every result which could send someone to a machine."""

#: Shown wherever a result could send someone to a machine.
CAUTION = (
    "Before anyone reaches into the machine: engine off, key out, all moving parts stopped; "
    "follow the operator's manual first. Local codes and licensed advisers go before this map."
)
