"""The melodies and chords of the demo's songs, in the notation of `score.tune`."""

LOW_LANTERN = """
F#4:2:lo:D G4:1:lan:A/C# A4:1:te:D B4:2:no:G A4:2:va:D G4:2:sla:Em F#4:1:wa:D/A F#4:1:te
E4:3:lo:A .:1
F#4:2:ho:Bm G4:1:li:Em A4:1:fa:A B4:2:no:G D5:2:tai:Bm B4:2:i:G A4:2:nou:D/F# G4:1:sa:Em
A4:2:lo:A .:1
D5:3:o:Bm C#5:1:lan:F#m B4:2:te:G A4:2:lo:D G4:2:ho:Em A4:2:li:F#m B4:3:mon:G .:1
F#4:2:lo:D G4:1:lan:A/C# A4:1:te:Bm B4:2:no:G A4:2:va:D/F# G4:2:sla:Em F#4:1:wa:D/A
E4:1:ta:A D4:4:lo:D
"""
LOW_LANTERN_PRELUDE = "A4:2::D B4:2::G A4:2::D"

TIDE_CALL = "D4:1:ha F4:1:la G4:1:so A4:1:we C5:1:tai A4:.5:da G4:.5:ta F4:1:ti .:1"
TIDE_CALL_HIGH = "D4:1:ha F4:1:la G4:1:so A4:1:we D5:1:hai C5:1:de A4:1:lo .:1"
TIDE_ANSWER = """
A4:1:ha:Dm C5:1:la:F D5:1:tai:G C5:1:da:C A4:1:ta:F G4:1:be:C A4:1.5:lo:Dm .:.5
"""
TIDE_ANSWER_HIGH = """
A4:1:ha:Dm C5:1:la:F D5:1:tai:G E5:1:da:C D5:.5:ta:Bb C5:.5:_ A4:1:be:Am D5:1.5:lo:Dm .:.5
"""
TIDE_CHORUS = """
D5:2:o:Dm C5:1:ha:C A4:1:la:F G4:1:so:C A4:1:we:Dm C5:1.5:tai:F .:.5
D5:2:o:Bb C5:1:ha:F A4:1:la:Dm G4:1:so:C F4:1:we:Bb A4:1.5:lo:Dm .:.5
"""
TIDE_CHORUS_LAST = """
D5:2:o:Dm C5:1:ha:C A4:1:la:F G4:1:so:C A4:1:we:Dm C5:1.5:tai:F .:.5
D5:2:o:Bb E5:1:ha:C F5:1:la:Dm E5:1:so:C C5:1:we:Am D5:3:lai:D
"""

ROPEWALK = """
G4:2:wa A4:1:la G4:2:kin E4:1:do F#4:2:de A4:1:ro G4:2.5:po .:.5
B4:1:tu C5:1:na D5:1:ti E5:2:tu C5:1:na A4:1:do B4:1:ta C5:1:ro B4:2.5:le .:.5
D5:1.5:ho D5:.5:li B4:1:fa G4:1:so C5:1:ta E5:1:lo D5:1.5:mai C5:.5:ha A4:1:ti G4:2.5:lo .:.5
D4:2:ro G4:1:po E4:2:wo C4:1:ka D4:1:ho D4:1:ta F#4:1:da G4:2.5:lo .:.5
"""

BELL_BUOY_CHORDS = """
G4:8::Em G4:8::C G4:4::G F#4:4::D G4:8::Em A4:8::Am G4:8::C F#4:8::B G4:8::Em
"""
BELL_BUOY_BELLS = """
B4:1.5 E5:1.5 G4:2 B4:3 C5:1.5 E5:1.5 G4:2 E4:3 D5:1.5 B4:1.5 G4:1 F#4:1.5 A4:2.5
E5:1 D5:1 B4:2 G4:1.5 E4:2.5 C5:1.5 A4:1.5 E5:2 C5:3 E5:1.5 G5:1.5 C5:2 G4:3
D#5:1.5 B4:1.5 F#4:2 B4:3 E5:2 B4:2 G4:2 E4:2
"""
UNDERTOW = """
E4:3:u:Em F#4:1:da:D G4:2:to:G A4:2:lo:D B4:3:u:Em A4:1:da:Am G4:2:ta:C F#4:1.5:lo:B .:.5
G4:3:pu:Em A4:1:ma:D B4:2:do:G D5:2:no:D C5:3:to:C B4:1:da:G A4:2:de:Am B4:1.5:po:B .:.5
E5:3:o:Em D5:1:ha:G C5:2:la:C B4:2:no:G A4:3:lo:Am G4:1:ha:Em F#4:3:wai:B .:1
E4:3:u:Em F#4:1:da:D G4:2:to:G C5:2:lo:C B4:2:u:Em A4:1:da:Am F#4:1:to:B7 E4:4:lo:Em
"""
FERRYMANS_GRACE = """
A3:1:o D4:1.5:fe E4:.5:ri F#4:1.5:ma E4:.5:_ D4:1:no B3:1:ti A3:2.5:de .:1
A3:.5:an D4:1:li E4:.5:da F#4:1:la A4:1.5:ma G4:.5:_ F#4:1:lo E4:2.5:nou .:1
F#4:1:so G4:.5:_ A4:1.5:we B4:.5:_ A4:1:lo F#4:1:ti E4:.5:_ D4:1:wa B3:2:no .:1
A3:1:o D4:1.5:fe F#4:.5:ri E4:1.5:ma D4:.5:_ B3:1:no A3:1:le D4:3.5:hon
"""

PILES_CALLS = """
.:4 A3:1:wan D4:1.5:o .:5.5 A3:1:tu C4:1.5:o .:5.5 A3:.5:tri D4:.5:i E4:1.5:o .:5.5
A3:1:fo D4:.5:e F4:1:o .:5.5 G4:1:fai F4:.5:e D4:1:o .:5.5 A4:.5:si G4:.5:e A4:1.5:o
"""
PILES_ANSWERS = [
    (16, "A4:.5:ha:Dm A4:.5:ha C5:1:ho:C"),
    (24, "A4:.5:ha:Dm A4:.5:ha C5:1:ho:F"),
    (32, "A4:.5:ha:Dm C5:.5:ha:F D5:1.5:ho:G"),
    (40, "A4:.5:ha:Dm C5:.5:ha:F D5:1.5:ho:Bb"),
    (47, "D5:1:se:Dm C5:1:ven:C A4:1:pai:F C5:1:lo:C D5:3:ho:D"),
]

HARBOUR_PSALM = """
F4:2:o:F A4:1:ha:F C5:1:bo:Am D5:2:sti:Bb C5:2:lai:F Bb4:1:lo:Gm A4:1:o:F G4:3:wa:C .:1
A4:2:ho:F Bb4:1:da:Gm C5:1:ma:Am D5:1:ni:Bb E5:1:li:C F5:2:ka:Dm D5:2:mon:Gm C5:3:ho:C .:1
C5:2:si:Am A4:1:la:Dm F4:1:no:Bb G4:2:mo:Gm A4:2:lo:Dm Bb4:1:we:Gm A4:1:te:F G4:3:do:C .:1
F4:2:o:F A4:1:ha:F C5:1:bo:Am F5:2:sti:Bb E5:1:li:C D5:1:fa:Bb C5:2:lai:F Bb4:1:a:C7 G4:1:ta
A4:6:men:F
"""
HARBOUR_PEAL = """
F4:1 C5:1 A4:1 F5:1 C5:1 A4:1 F4:14 A4:14 F4:14
F4:4 Bb4:4 C5:4 F4:1 A4:1 C5:1 F5:1 C5:1.5 A4:1.5 F4:2 F3:2
"""

TALLOW_CALL = "D4:1:ha F4:.5:la G4:.5:so A4:1.5:ro G4:.5:ta F4:1:wi D4:1:no E4:1.5:lo .:.5"
TALLOW_ANSWER = """
D5:1:ho:Dm C5:.5:li:F A4:.5:na G4:1:ta:C A4:1:ro:Dm C5:1:na:F D5:1:wi:Bb A4:1.5:lo:Dm .:.5
"""

HERON = """
D4:2:he:G G4:1:ro B4:2:na:Em A4:1:_ G4:2:lo:C E4:1:sa D4:2.6:li:G .:.4
G4:2:wa:G A4:1:to B4:2:ne:Em D5:1:la C5:2:mi:Am B4:1:so A4:2.5:no:D .:.5
B4:2:o:G D5:1:ha C5:2:li:Am A4:1:fo B4:2:ra:G G4:1:na E4:2.5:do:C .:.5
D4:2:he:G G4:1:ro A4:1.5:na:D B4:.5:_ A4:1:te G4:3:lo:G
"""

MOORING_RINGS = """
D5:1.5 A4:1.5 F#4:1 D5:1 E5:1 F#5:2 A4:1 D5:1 B4:1.5 G4:1.5 E5:1 D5:1 C#5:2 A4:2 D4:1
"""
MOORING_DRONE = "F#4:8::D G4:6::Em E4:4::A F#4:4::D"

TOLLKEEPER = """
C5:2:o:F A4:1:to:Dm Bb4:1:la:Gm C5:2:mo:C D5:1:ni:Bb C5:1:ta:F A4:1:sa:Dm G4:1:le:C A4:2:fo:F
G4:2:wai:C A4:1.6:lo:F .:.4
"""
TOLLKEEPER_AFTER = """
A4:1:so:F Bb4:1:we:Gm C5:2:ro:Am D5:2:na:Bb C5:1:ti:F A4:1:do:Dm Bb4:1:la:Gm D5:1:fe:Bb
C5:2:mo:C F5:2:o:Dm E5:1:ha:C D5:1:li:Bb C5:1:ta:F G4:1:de:C F4:3:lo:F
"""

REEL = """
A4:.5 D5:.5 F#5:.5 D5:.5 E5:.5 C#5:.5 A4:1 G4:.5 B4:.5 D5:.5 B4:.5 A4:1 F#4:1
A4:.5 D5:.5 F#5:.5 D5:.5 G5:.5 E5:.5 B4:1 C#5:.5 E5:.5 A5:.5 E5:.5 D5:1 D5:1
"""
REEL_CHORDS = """
A4:2::D A4:2::A B4:2::G A4:2::D A4:2::D G4:2::Em A4:2::A F#4:1.8::D .:.2
"""

SAIL_ROOM_HUM = """
A4:4:n:Dm G4:4:n:C F4:4:n:Bb A4:4:n:F Bb4:4:n:Gm A4:4:n:Dm G4:4:n:C F4:6:n:Dm
"""
SAIL_ROOM = """
.:4 E3:1.5:la G3:.5:mi C4:1:na B3:.5:_ G3:.5:to F3:1:so Bb3:1.5:ro D4:.5:_ C4:.6:li .:.4
A3:1.5:fa C4:.5:_ F4:1.5:ho C4:.5:de D4:1:we Bb3:1:no G3:1.6:ri .:.4
F3:1:so A3:1:la D4:1.6:mai .:.4 E4:1:ho C4:1:ta G3:1.6:no .:.4 F3:1:le A3:1:_ D3:3:lo
"""
