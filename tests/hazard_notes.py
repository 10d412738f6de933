"""Notes as they are typed at a bench in a hurry, with what they should do; written by hand.

``ALARM`` tells of a failing battery, ``QUIET`` does not. The ``LATER`` ones were written after the
words of ``durability/record/hazard_words.toml`` had been settled by those, the ``UNSEEN`` ones
after both. When first met, 9 of the 50 later alarms were missed and 4 of the 64 quiet ones were
not; of the unseen ones 5 of 42 and 0 of 42. What that taught has been added since.
"""

ALARM = """
swolen
battery swolen slightly
batt puffy
cell looks bloated
back bulging a bit
bulges near camera, ca 0.5 mm
screen lifted, battery pushes from below
gets warm when idle
warm to the touch around the battery
very warm!!
hot
Too hot to hold
runs hot since drop 14
overheating, shut down by itself
smoke from usb port
little smoke, stopped
burnt smell
smells burnt
burning plastic smell
sweet smell from the back
smells like solvent
fruity odour
venting
cell vented
popped
battery popped
back cover popped up
loud pop then smoke
hissing noise from inside
fizzing
it sizzles
leaking
leeking at bottom seam
electrolyte on tray
liquid coming out of battery
sticky fluid near battery
sparks when dropped
caught fire
flames
puffed up pouch
pouch inflated
pillowed
pack dented
battery cracked
cell punctured by screw
swollen but no smell
no smell but battery bulges
not hot any more but swollen
swelling 2.3 mm
case back domed, was flat before
akku aufgebläht
Akku gebläht, riecht
riecht verbrannt
wird heiß beim Laden
batterie gonflée
ça chauffe beaucoup
bateria hinchada
huele a quemado
batteria gonfia
odore di bruciato
"""

QUIET = """
no swelling
no sweling seen
not hot
no smell
no smell, no swelling, not hot
battery ok, no bulge
not swollen, cool to touch
no signs of swelling or leaking
no smoke no smell
cold
cool, flat, dry
battery flat
battery empty, charged
scuffed corner 3
corner popped off
button popped out, pressed back in
lens cover popped off
speaker pops at full volume
warm-up done, 30 min
chamber warm, device at 23 C
warm white tint on display
lukewarm coffee spilled next to it, dry
warmed up to 23 C before test
hot chamber 55 C for 4 h
hot swap of fixture
hot glue on bracket
dead pixel row 12
hot pixel near top left
display flickers
touch dead in lower third
wifi drops out
hairline crack in glass
frame bent 0.3 mm
case torn at corner
seal leaks at 0.5 bar
light leak at edge
fan vents clean
vent hole blocked by dust
smoked glass cover scratched
fire alarm test during run, repeated
burn in visible on oled
burned in logo
charging slow, 0.4 A
charges to 100 %
heatsink loose
heat gun used for rework
smell test passed
swelling: none
swelling 0.0 mm
bulge none
leak test passed
no leak current measured
puff of dust on impact
dust puffed out of seam
camera focus hunts
microphone hisses
pop-up message low storage
screen protector bubbled
sent to lab 2
nicht geschwollen
kein Geruch
keine Schwellung, nicht heiß
pas gonflé
sin olor
non gonfia
gehäuse zerkratzt
écran fissuré
pantalla rota
vetro rotto
"""


LATER_ALARM = """
batery looks fat
case lifting at the seam, battery thick
phone wont close anymore, pillow shape
bulgin at rear
swollen batt, 6.1 mm
gets hot near usb
device was hot when picked up
warm spot next to sim tray
back quite warm after 10 min off
smells funny
weird chemical smell
there is a smell of nail polish
slight odor
smell of burning rubber
saw smoke
smoking slightly
burn mark under cover
scorch marks on label
melted spot
hissing
faint hiss then silence
leak at corner, clear liquid
wet spot, electrolyte?
drops of fluid on battery
battery leaked
cell is dented
dent in the pouch
pack torn open
battery vented overnight
gas came out
popping sound after drop
screen popping up
swelling increased since last week
swelling 1.2
not sure if swollen
possibly swollen
maybe bulging, look again
no longer hot but bulges
no damage, but smell
akku dick, deckel geht auf, geschwollen
Akku undicht
es riecht komisch
qualmt
batterie qui gonfle
ça sent le brûlé
fuite de la batterie
huele raro
se calienta mucho
perde liquido dalla batteria
scotta
"""

LATER_QUIET = """
all functions ok
no change since last look
no visible damage, no smell, no heat
battery normal
battery thickness 5.1 mm as before
swelling 0 mm, ok
flat, not bulging
nothing unusual, no smell
didn't smell anything
no heat, no noise
temperature normal
device cool
never got warm
not warm
case warm from the lamp? no, cool
scratch on display
display glass cracked at corner
one shard missing
bezel chipped
button sticks
usb port loose
usb port worn, charge starts at second try
gps slow to fix
camera blurry
compass off by 20 deg
sim tray pops out
cover popped off on impact, refitted
speaker crackles
speaker buzzes
mic has hiss
audio distorted
screen goes dark when bent
seal torn
water inside after ip test
leaks water at the seal
light bleeds at lower edge
rattle inside
screw lost
foam compressed
corner crushed
case split at edge
dropped on face 3
tested in cold chamber
kept in warm cabinet overnight
heated chamber soak 2 h
fan noise
charging ok, 45 min
charging cable hot swapped
battery 80 %
battery at 15 %, charged to 60 %
smell: none, heat: none
inspected for swelling and leaks: none
firewall blocked update
hotspot works
burned new firmware
flashed firmware 1.4
inflated air cushion before drop
kein Befund
ohne Geruch, nicht warm
aucune odeur
sans fuite ni odeur
ningún olor, no está caliente
nessun odore
non scotta
"""


UNSEEN_ALARM = """
battery has grown, cover no longer flush
pouch looks like a balloon
swoollen, set aside
slight bulge under the label
bulge +0.4 mm vs last week
puffy again
back panel bowed outwards over battery
got really hot on charger
hot as hell
surface temp 52 C while off
warm although switched off
feels warmish
battery warm
burning smell when switched on
plastic smell, burnt
smells like marker pen
stinks
chemical odour when opened
smoke came out
white smoke for 2 s
small flame at connector
short circuit, sparks
hisses when pressed
quiet hissing near the cell
leaked onto desk
corroded by battery leak
brown fluid under the battery
cell vented with a bang
bang, then smell
pop heard, device dead
punctured cell
dented battery, 1 mm
crack in battery casing
melted connector housing
no power, battery swollen?
does not charge and bulges
unclear whether swollen
Gehäuse wölbt sich
sehr heiß geworden
boîtier gonflé, odeur
tapa abombada
batteria calda e gonfia
"""

UNSEEN_QUIET = """
pass
fine
as before
no findings
no abnormalities, battery flat and cool
no bulge, 5.2 mm
neither hot nor swollen
smell none
no odour, no leak, no heat
battery: no swelling
battery checked for bulges, none
did not overheat
never hot during test
no sparks, no smoke
not leaking
no signs of heat
battery drains fast
battery dies at 20 %
low battery, charged first
bumper cracked
corner dented
frame dented 2 mm
glass shattered
shards in bag
lens cracked
speaker grille dented
vibration weak
power button stuck, popped back
tray popped out on impact
case popped off at drop 3
torch works
flashlight ok
face id fails
screen burn-in visible
light leak lower left
no water ingress
water ingress at port
seal leaks
warm-up 30 min at 23 C
conditioned at 40 C, hot chamber
cooled down to room temperature
retest tomorrow
"""


def lines(block):
    return [line for line in block.strip().splitlines() if line.strip()]
