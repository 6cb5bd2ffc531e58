"""Tables of trouble codes: what codes and failure types say, and which codes belong to which module.

None of the standards of these tables was read in full. Every table names where its texts come from
and how far they can be trusted.

Not modelled: the whole of SAE J2012-DA; codes of SAE J1939 (SPN and FMI).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

NAMED_BUSES: Final = 7  # "A" to "G": U0073 to U0079


# Failure type bytes, SAE J2012-DA as given by two agreeing open tables (the standard was not read).
FAILURE_TYPES: Final[dict[int, str]] = {
    0x00: "No Sub Type Information",
    0x01: "General Electrical Failure",
    0x02: "General Signal Failure",
    0x03: "FM/PWM Failures",
    0x04: "System Internal Failures",
    0x05: "System Programming Failures",
    0x06: "Algorithm Based Failures",
    0x07: "Mechanical Failures",
    0x08: "Bus Signal/Message Failures",
    0x09: "Component Failures",
    0x11: "Circuit Short To Ground",
    0x12: "Circuit Short To Battery",
    0x13: "Circuit Open",
    0x14: "Circuit Short To Ground Or Open",
    0x15: "Circuit Short To Battery Or Open",
    0x16: "Circuit Voltage Below Threshold",
    0x17: "Circuit Voltage Above Threshold",
    0x18: "Circuit Current Below Threshold",
    0x19: "Circuit Current Above Threshold",
    0x1A: "Circuit Resistance Below Threshold",
    0x1B: "Circuit Resistance Above Threshold",
    0x1C: "Circuit Voltage Out Of Range",
    0x1D: "Circuit Current Out Of Range",
    0x1E: "Circuit Resistance Out Of Range",
    0x1F: "Circuit Intermittent",
    0x21: "Signal Amplitude < Minimum",
    0x22: "Signal Amplitude > Maximum",
    0x23: "Signal Stuck Low",
    0x24: "Signal Stuck High",
    0x25: "Signal Shape/Waveform Failure",
    0x26: "Signal Rate Of Change Below Threshold",
    0x27: "Signal Rate Of Change Above Threshold",
    0x28: "Signal Bias Level Out Of Range/Zero Adjustment Failure",
    0x29: "Signal Invalid",
    0x2F: "Signal Erratic",
    0x31: "No Signal",
    0x32: "Signal Low Time < Minimum",
    0x33: "Signal Low Time > Maximum",
    0x34: "Signal High Time < Minimum",
    0x35: "Signal High Time > Maximum",
    0x36: "Signal Frequency Too Low",
    0x37: "Signal Frequency Too High",
    0x38: "Signal Frequency Incorrect",
    0x39: "Signal Has Too Few Pulses",
    0x3A: "Signal Has Too Many Pulses",
    0x41: "General Checksum Failure",
    0x42: "General Memory Failure",
    0x43: "Special Memory Failure",
    0x44: "Data Memory Failure",
    0x45: "Program Memory Failure",
    0x46: "Calibration/Parameter Memory Failure",
    0x47: "Watchdog/Safety Microcontroller Failure",
    0x48: "Supervision Software Failure",
    0x49: "Internal Electronic Failure",
    0x4A: "Incorrect Component Installed",
    0x4B: "Over Temperature",
    0x51: "Not Programmed",
    0x52: "Not Activated",
    0x53: "Deactivated",
    0x54: "Missing Calibration",
    0x55: "Not Configured",
    0x61: "Signal Calculation Failure",
    0x62: "Signal Compare Failure",
    0x63: "Circuit/Component Protection Time-Out",
    0x64: "Signal Plausibility Failure",
    0x65: "Signal Has Too Few Transitions/Events",
    0x66: "Signal Has Too Many Transitions/Events",
    0x67: "Signal Incorrect After Event",
    0x68: "Event Information",
    0x71: "Actuator Stuck",
    0x72: "Actuator Stuck Open",
    0x73: "Actuator Stuck Closed",
    0x74: "Actuator Slipping",
    0x75: "Emergency Position Not Reachable",
    0x76: "Wrong Mounting Position",
    0x77: "Commanded Position Not Reachable",
    0x78: "Alignment Or Adjustment Incorrect",
    0x79: "Mechanical Linkage Failure",
    0x7A: "Fluid Leak Or Seal Failure",
    0x7B: "Low Fluid Level",
    0x81: "Invalid Serial Data Received",
    0x82: "Alive/Sequence Counter Incorrect/Not Updated",
    0x83: "Value Of Signal Protection Calculation Incorrect",
    0x84: "Signal Below Allowable Range",
    0x85: "Signal Above Allowable Range",
    0x86: "Signal Invalid",
    0x87: "Missing Message",
    0x88: "Bus Off",
    0x8F: "Erratic",
    0x91: "Parametric",
    0x92: "Performance Or Incorrect Operation",
    0x93: "No Operation",
    0x94: "Unexpected Operation",
    0x95: "Incorrect Assembly",
    0x96: "Component Internal Failure",
    0x97: "Component Or System Operation Obstructed Or Blocked",
    0x98: "Component Or System Over Temperature",
}


@dataclass(frozen=True, slots=True)
class ModuleRole:
    """What a module is to the others on the bus, and the codes they set about it.

    `role` is the short name (SAE J1930 / ISO 15031-2 abbreviation or trade words), `others` further
    names it is known by, `title` its name in SAE J2012 texts, `provenance` the trust in the two codes.
    """

    role: str
    title: str
    lost_code: str
    invalid_code: str
    others: tuple[str, ...] = ()
    provenance: str = ""


def _roles(provenance: str, rows: Iterable[str]) -> tuple[ModuleRole, ...]:
    """Rows read `role, other name, ... | U01xx | U04xx | title`."""
    table = []
    for row in rows:
        names, lost_code, invalid_code, title = (part.strip() for part in row.split("|"))
        role, *others = (name.strip() for name in names.split(","))
        table.append(ModuleRole(role, title, lost_code, invalid_code, tuple(others), provenance))
    return tuple(table)


_BOTH_OBD: Final = _roles(
    "SAE J2012, both numbers as given by PyPI obd 0.7.3 (wording of the newer J2012-DA where it differs)",
    (
        'ECM, PCM, engine control module      | U0100 | U0401 | ECM/PCM "A"',
        "TCM, transmission control module     | U0101 | U0402 | TCM",
        "TCCM, transfer case control module   | U0102 | U0403 | Transfer Case Control Module",
        "GSM, gear shift module               | U0103 | U0404 | Gear Shift Control Module",
        "CCM, cruise control module           | U0104 | U0405 | Cruise Control Module",
        "FICM, fuel injector control module   | U0105 | U0406 | Fuel Injector Control Module",
        "GPCM, glow plug control module       | U0106 | U0407 | Glow Plug Control Module",
        "TAC, throttle actuator control       | U0107 | U0408 | Throttle Actuator Control Module",
        "FPCM, fuel pump control module       | U0109 | U0410 | Fuel Pump Control Module",
        "ABS, EBCM, anti-lock brake system    | U0121 | U0415 | Anti-Lock Brake System Control Module",
        "VDC, ESC, vehicle dynamics control   | U0122 | U0416 | Vehicle Dynamics Control Module",
        "SAS, steering angle sensor           | U0126 | U0428 | Steering Angle Sensor Module",
        "TPM, TPMS, tire pressure monitor     | U0127 | U0430 | Tire Pressure Monitor Module",
        "EPB, PBCM, park brake                | U0128 | U0417 | Park Brake Control Module",
        "BSCM, brake system control module    | U0129 | U0418 | Brake System Control Module",
        "EPS, PSCM, power steering            | U0131 | U0420 | Power Steering Control Module",
        "BCM, body control module             | U0140 | U0422 | Body Control Module",
        "IPC, instrument cluster, cluster     | U0155 | U0423 | Instrument Panel Cluster Control Module",
        "HVAC, climate control                | U0164 | U0424 | HVAC Control Module",
        "AUX HEATER, auxiliary heater         | U0166 | U0425 | Auxiliary Heater Control Module",
        "IMMO, immobilizer, immobiliser       | U0167 | U0426 | Vehicle Immobilizer Control Module",
        "VSCM, vehicle security, alarm        | U0168 | U0427 | Vehicle Security Control Module",
        "SCCM, SCM, steering column           | U0212 | U0429 | Steering Column Control Module",
    ),
)


_LOST_OBD: Final = _roles(
    "SAE J2012: lost as given by PyPI obd 0.7.3, invalid data as given by one open-source dictionary",
    (
        "YAW, yaw rate sensor                 | U0123 | U0513 | Yaw Rate Sensor Module",
        'GW, CGW, gateway, gateway A          | U0146 | U0447 | Gateway "A"',
        'GW B, gateway B                      | U0147 | U0448 | Gateway "B"',
        "SRS, RCM, SDM, airbag, restraints    | U0151 | U0452 | Restraints Control Module",
        'PARKING ASSIST, PAM                  | U0159 | U045A | Parking Assist Control Module "A"',
        "NAV, navigation                      | U0163 | U0464 | Navigation Control Module",
        "REAR HVAC, HVAC rear                 | U0165 | U0466 | HVAC Control Module - Rear",
        "SUNROOF, sunroof control module      | U0169 | U046A | Sunroof Control Module",
        "FRONT LIGHTING, lighting front       | U0182 | U0483 | Lighting Control Module - Front",
        'REAR LIGHTING, lighting rear         | U0183 | U0484 | Lighting Control Module - Rear "A"',
        "RADIO, audio                         | U0184 | U0485 | Radio",
        'AMPLIFIER, audio amplifier           | U0186 | U0487 | Audio Amplifier "A"',
        "TELEPHONE, telephone control module  | U0197 | U0498 | Telephone Control Module",
        "TELEMATICS, TCU, telematic control module | U0198 | U0499 | Telematic Control Module",
        # Which door is "A" is left to the maker: driver's A, front passenger's B are our own choice.
        'DOOR A, DDM, driver door module      | U0199 | U049A | Door Control Module "A"',
        'DOOR B, PDM, passenger door module   | U0200 | U0501 | Door Control Module "B"',
        'DOOR C, door control module C        | U0201 | U0502 | Door Control Module "C"',
        'DOOR D, door control module D        | U0202 | U0503 | Door Control Module "D"',
        'DOOR E, door control module E        | U0203 | U0504 | Door Control Module "E"',
        'DOOR F, door control module F        | U0204 | U0505 | Door Control Module "F"',
        'DOOR G, door control module G        | U0205 | U0506 | Door Control Module "G"',
        'SEAT A, seat control module A        | U0208 | U0509 | Seat Control Module "A"',
        'SEAT B, seat control module B        | U0209 | U050A | Seat Control Module "B"',
        "RFA, remote function actuation       | U0214 | U0515 | Remote Function Actuation",
        "REAR GATE, liftgate, tailgate        | U0230 | U0531 | Rear Gate Module",
        "RAIN SENSOR, rain sensing module     | U0231 | U0532 | Rain Sensing Module",
        "SIDE OBSTACLE LEFT, blind spot left  | U0232 | U0533 | Side Obstacle Detection Control Module Left",
        "SIDE OBSTACLE RIGHT, blind spot right| U0233 | U0534 | Side Obstacle Detection Control Module Right",
        "FRONT DISTANCE SENSOR, FDR, front distance range sensor, front radar | U0235 | U0433 |"
        " Front Distance Range Sensor - Single Sensor or Center",
    ),
)


_NEITHER_OBD: Final = _roles(
    "SAE J2012-DA, both numbers as given by one open-source dictionary",
    (
        "TRAILER BRAKE, trailer brake module  | U0137 | U0438 | Trailer Brake Control Module",
        "COLUMN LOCK, ESCL, steering lock     | U0236 | U0537 | Column Lock Module",
        'FRONT CAMERA, image processing module| U023A | U053B | Image Processing Module "A"',
        "REMOTE START, remote start module    | U0254 | U0555 | Remote Start Module",
        "SPECIAL PURPOSE, body builder module, upfitter module | U0259 | U055A |"
        ' Special Purpose Vehicle Control Module "A"',
        "REAR CAMERA, camera rear             | U0264 | U0565 | Camera Module - Rear",
    ),
)


# No generic number for these was found: the numbers are our own, in the range left to makers.
_INVENTED: Final = _roles(
    "invented for this project, in the manufacturer-specific range",
    (
        "TRAILER, TRM, trailer module         | U1120 | U1420 | Trailer Module",
        "TACHOGRAPH, tachograph module        | U1121 | U1421 | Tachograph Module",
        "DOOR STEP, entrance step module      | U1122 | U1422 | Entrance Step Module",
        "LIFT, wheelchair lift module         | U1123 | U1423 | Wheelchair Lift Module",
        "WIPER, wiper motor                   | U1124 | U1424 | Wiper Motor",
        "BATTERY SENSOR, intelligent battery sensor | U1125 | U1425 | Battery Sensor",
        "WINDOW SWITCHES, switch panel        | U1126 | U1426 | Window Switches",
        "MIRROR, mirror motor                 | U1127 | U1427 | Mirror",
        "WINDOW MOTOR, window lifter          | U1128 | U1428 | Window Motor",
    ),
)


MODULE_ROLES: Final[tuple[ModuleRole, ...]] = _BOTH_OBD + _LOST_OBD + _NEITHER_OBD + _INVENTED


@dataclass(frozen=True, slots=True)
class CodeTable:
    """Texts of generic codes with where they come from and how far they can be trusted."""

    source: str
    provenance: str
    texts: dict[str, str]


def _bus_texts() -> dict[str, str]:
    """U0001..U0072 and U0080..U0088: nine codes for each named bus, in the same order."""
    names = {1: "High Speed CAN Communication Bus", 10: "Medium Speed CAN Communication Bus"}
    names[19] = "Low Speed CAN Communication Bus"
    names |= {28 + 9 * k: f'Vehicle Communication Bus "{letter}"' for k, letter in enumerate("ABCDE")}
    names[80] = 'Vehicle Communication Bus "F"'
    faults = ["", " Performance", " (+) Open", " (+) Low", " (+) High", " (-) Open", " (-) Low", " (-) High"]
    faults.append(" (-) Shorted to Bus (+)")
    return {f"U{first + k:04d}": names[first] + fault for first in names for k, fault in enumerate(faults)}


def _cylinder_texts() -> dict[str, str]:
    """Injectors and ignition coils of eight cylinders, and cylinder misfires."""
    texts = {}
    for number in range(1, 9):
        low = 258 + 3 * number
        texts[f"P{200 + number:04d}"] = f"Injector Circuit/Open - Cylinder {number}"
        texts[f"P{low:04d}"] = f"Cylinder {number} Injector Circuit Low"
        texts[f"P{low + 1:04d}"] = f"Cylinder {number} Injector Circuit High"
        texts[f"P{300 + number:04d}"] = f"Cylinder {number} Misfire Detected"
        texts[f"P{350 + number:04d}"] = f'Ignition Coil "{"ABCDEFGH"[number - 1]}" Primary/Secondary Circuit'
    return texts


def _module_texts() -> dict[str, str]:
    lost = {row.lost_code: f"Lost Communication With {row.title}" for row in MODULE_ROLES}
    invalid = {row.invalid_code: f"Invalid Data Received From {row.title}" for row in MODULE_ROLES}
    return lost | invalid


CODE_TABLES: Final[tuple[CodeTable, ...]] = (
    CodeTable(
        "SAE J2012-DA",
        "numbers as given by PyPI obd 0.7.3 (F: one open-source dictionary); (+) and (-) restored from "
        "open-source dictionaries, obd drops them",
        _bus_texts(),
    ),
    CodeTable("SAE J2012", "each row of MODULE_ROLES says its own standing", _module_texts()),
    CodeTable("SAE J2012", "as given by PyPI obd 0.7.3", _cylinder_texts()),
    CodeTable(
        "SAE J2012",
        "as given by PyPI obd 0.7.3, with the newer quotation marks (\"A\" for 'A')",
        {
            "P0100": "Mass or Volume Air Flow Circuit",
            "P0102": "Mass or Volume Air Flow Circuit Low Input",
            "P0103": "Mass or Volume Air Flow Circuit High Input",
            "P0105": "Manifold Absolute Pressure/Barometric Pressure Circuit",
            "P0107": "Manifold Absolute Pressure/Barometric Pressure Circuit Low Input",
            "P0108": "Manifold Absolute Pressure/Barometric Pressure Circuit High Input",
            "P0112": "Intake Air Temperature Sensor 1 Circuit Low",
            "P0113": "Intake Air Temperature Sensor 1 Circuit High",
            "P0117": "Engine Coolant Temperature Circuit Low",
            "P0118": "Engine Coolant Temperature Circuit High",
            "P0120": 'Throttle/Pedal Position Sensor/Switch "A" Circuit',
            "P0122": 'Throttle/Pedal Position Sensor/Switch "A" Circuit Low',
            "P0123": 'Throttle/Pedal Position Sensor/Switch "A" Circuit High',
            "P0222": 'Throttle/Pedal Position Sensor/Switch "B" Circuit Low',
            "P0223": 'Throttle/Pedal Position Sensor/Switch "B" Circuit High',
            "P0300": "Random/Multiple Cylinder Misfire Detected",
            "P0335": 'Crankshaft Position Sensor "A" Circuit',
            "P0340": 'Camshaft Position Sensor "A" Circuit',
            "P0350": "Ignition Coil Primary/Secondary Circuit",
            "P0480": "Fan 1 Control Circuit",
            "P0500": 'Vehicle Speed Sensor "A"',
            "P0504": 'Brake Switch "A"/"B" Correlation',
            "P0513": "Incorrect Immobilizer Key",
            "P0532": 'A/C Refrigerant Pressure Sensor "A" Circuit Low',
            "P0533": 'A/C Refrigerant Pressure Sensor "A" Circuit High',
            "P0560": "System Voltage",
            "P0561": "System Voltage Unstable",
            "P0562": "System Voltage Low",
            "P0563": "System Voltage High",
            "P0571": 'Brake Switch "A" Circuit',
            "P0572": 'Brake Switch "A" Circuit Low',
            "P0573": 'Brake Switch "A" Circuit High',
            "P0600": "Serial Communication Link",
            "P0601": "Internal Control Module Memory Check Sum Error",
            "P0602": "Control Module Programming Error",
            "P0603": "Internal Control Module Keep Alive Memory (KAM) Error",
            "P0604": "Internal Control Module Random Access Memory (RAM) Error",
            "P0605": "Internal Control Module Read Only Memory (ROM) Error",
            "P0606": "ECM/PCM Processor",
            "P0607": "Control Module Performance",
            "P0610": "Control Module Vehicle Options Error",
            "P0615": "Starter Relay Circuit",
            "P0616": "Starter Relay Circuit Low",
            "P0617": "Starter Relay Circuit High",
            "P0620": "Generator Control Circuit",
            "P0622": "Generator Field/F Terminal Circuit",
            "P0627": 'Fuel Pump "A" Control Circuit/Open',
            "P0628": 'Fuel Pump "A" Control Circuit Low',
            "P0629": 'Fuel Pump "A" Control Circuit High',
            "P0630": "VIN Not Programmed or Incompatible - ECM/PCM",
            "P0633": "Immobilizer Key Not Programmed - ECM/PCM",
            "P0641": 'Sensor Reference Voltage "A" Circuit/Open',
            "P0642": 'Sensor Reference Voltage "A" Circuit Low',
            "P0643": 'Sensor Reference Voltage "A" Circuit High',
            "P0645": "A/C Clutch Relay Control Circuit",
            "P0651": 'Sensor Reference Voltage "B" Circuit/Open',
            "P0652": 'Sensor Reference Voltage "B" Circuit Low',
            "P0653": 'Sensor Reference Voltage "B" Circuit High',
            "P0657": 'Actuator Supply Voltage "A" Circuit/Open',
            "P0658": 'Actuator Supply Voltage "A" Circuit Low',
            "P0659": 'Actuator Supply Voltage "A" Circuit High',
            "P0685": "ECM/PCM Power Relay Control Circuit/Open",
            "P0686": "ECM/PCM Power Relay Control Circuit Low",
            "P0687": "ECM/PCM Power Relay Control Circuit High",
            "P0688": "ECM/PCM Power Relay Sense Circuit/Open",
            "P0689": "ECM/PCM Power Relay Sense Circuit Low",
            "P0690": "ECM/PCM Power Relay Sense Circuit High",
            "P0691": "Fan 1 Control Circuit Low",
            "P0692": "Fan 1 Control Circuit High",
            "P0697": 'Sensor Reference Voltage "C" Circuit/Open',
            "P0698": 'Sensor Reference Voltage "C" Circuit Low',
            "P0699": 'Sensor Reference Voltage "C" Circuit High',
            "P0700": "Transmission Control System (MIL Request)",
            "P0817": "Starter Disable Circuit",
            "P0850": "Park/Neutral Switch Input Circuit",
            "P0863": "TCM Communication Circuit",
            "P0882": "TCM Power Input Signal Low",
            "P0883": "TCM Power Input Signal High",
            "U0113": "Lost Communication With Emissions Critical Control Information",
            "U0115": 'Lost Communication With ECM/PCM "B"',
            "U0300": "Internal Control Module Software Incompatibility",
            "U0301": "Software Incompatibility With ECM/PCM",
            "U0302": "Software Incompatibility With Transmission Control Module",
            "U0315": "Software Incompatibility With Anti-Lock Brake System Control Module",
            "U0322": "Software Incompatibility With Body Control Module",
            "U0323": "Software Incompatibility With Instrument Panel Control Module",
            "U0324": "Software Incompatibility With HVAC Control Module",
            "U0326": "Software Incompatibility With Vehicle Immobilizer Control Module",
            "U0400": "Invalid Data Received",
        },
    ),
    CodeTable(
        "SAE J2012-DA",
        "as given by open-source dictionaries; PyPI obd 0.7.3 has U0073 without the letter, and keeps "
        "U0074..U0079 reserved",
        {f"U{73 + k:04d}": f'Control Module Communication Bus "{"ABCDEFG"[k]}" Off' for k in range(7)},
    ),
    CodeTable(
        "SAE J2012-DA",
        "as given by one open-source dictionary; U3000, U3001 and U3003 also from memory",
        {
            "U0336": "Software Incompatibility With Restraints Control Module",
            "U3000": "Control Module",
            "U3001": "Control Module Improper Shutdown Performance",
            "U3002": "Vehicle Identification Number",
            "U3003": "Battery Voltage",
            "U3004": "Accessory Power Relay",
            "U3006": 'Control Module Input Power "A"',
            "U3007": 'Control Module Input Power "B"',
            "U3008": 'Control Module Ground "A"',
            "U3009": 'Control Module Ground "B"',
            "U300A": "Ignition Switch",
            "U300B": "Ignition Input Accessory/On/Start",
        },
    ),
    CodeTable(
        "SAE J2012",
        "as given by one open-source dictionary",
        {
            "B0020": "Left Side Airbag Deployment Control",
            "B0028": "Right Side Airbag Deployment Control",
            "C0035": "Left Front Wheel Speed Sensor Circuit",
            "C0040": "Right Front Wheel Speed Sensor Circuit",
            "C0045": "Left Rear Wheel Speed Sensor Circuit",
            "C0050": "Right Rear Wheel Speed Sensor Circuit",
            "C0051": "Steering Wheel Position Sensor",
            "C0110": "Pump Motor Circuit",
            "C0121": "Valve Relay Circuit",
            "C0161": "ABS/TCS Brake Switch Circuit",
        },
    ),
    CodeTable(
        "SAE J2012",
        "from memory",
        {
            "B0001": "Driver Frontal Stage 1 Deployment Control",
            "B0002": "Driver Frontal Stage 2 Deployment Control",
            "B0010": "Passenger Frontal Stage 1 Deployment Control",
            "B0050": "Driver Seatbelt Sensor",
        },
    ),
)
