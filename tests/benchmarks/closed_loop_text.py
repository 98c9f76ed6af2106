"""Words around the tables of the two reports."""

from typing import Final

__all__ = ["CLOSED_LOOP", "DECISION_CURVES"]

CLOSED_LOOP: Final = """# The closed loop: divers followed dive by dive

Simulated divers, none of them real. An estimate is no instruction: follow your instructor, your training
agency and local rules, and let a check in the water overrule the number.

{made}
Each world has its own population, learned from other divers who dived 8 times by habit. Its divers then make
8 dives each, with the same needs, sea and luck under every guide. The world is not the model's: foam shrinks
by another law (its gas by the power 0.8 of the pressure, which no check at the surface shows), one type of
suit is 2.5 sds from its catalogue, suits and scatter have heavy tails (Student's t with 5 and 4 degrees of
freedom), needs drift, breath and care in noting differ from diver to diver, one record in twenty says
something else than what was, and the heavier a diver the seldomer it is noted, and the seldomer with the BC
empty. Need is that at the planned 35 bar; a dive is too light where need, with that dive's scatter, exceeds
the lead and what this diver's exhaling covers.

Guides:

- *tool*: the answer at an accepted risk of 5 % on blocks of 0.5 kg. Where it asks for a check, up to three
  looks with a full cylinder, read as `check` reads them. The next step it names is done, and what it shows
  is noted. *learned anew*: the same, and after each dive the population is learned once more, from those
  divers and from all that this crew has noted by then.
- *oracle*: an exact posterior on a grid under the law of the world, all of whose shares, spreads and shared
  effects it knows; the same rule for lead, the same choice among the same acts. *model's oracle*: exact
  too, with the true hyperparameters and shared effects, but it takes the model for the law.
- *greedy*: the tool's answers, and always the act that teaches most, allowed or not. *random*: any allowed
  act or none. *no step*: none.
- *practice*: common practice, no source: a tenth of the body mass in 7 mm, three quarters of that in 5 mm
  and half in 3 mm; then 1 kg less after gas in the BC or sinking, 1 kg more after rising, noted or not.
- *habit*: what divers carry by themselves, 1.2 kg over need on average; surface checks on some dives.

## Learned from 60 divers

{steady}
## Learned from 200 divers

Worlds of the same kind, with other divers: a larger book moves all chances that are drawn after it.

{more}
## Needs that change by themselves

Worlds that are harder still, learned from 60 divers: two in five divers are beginners who relax by another
0.8 kg beyond what the ledger reckons, suits lose up to 0.6 kg beyond what it reckons, and one diver in ten
needs more or less from one dive to the next on.

{harder}
## How to read it

- Near is within 1 kg of the *expected* need. A lead chosen for a risk of 5 % and then put on blocks lies
  about 0.65 kg over it even when all is known, so nearness counts against whoever keeps the risk low.
  Practice comes near by standing around the need: its leads are too light on more than one dive in five, and
  on the first dive on one in four or three.
- The share within 1 kg hangs on a few hundredths of a kilogram: the tool's leads lie 0.7 to 0.9 kg over the
  expected need, so that 0.1 kg on it makes eight to ten points of the share.
- From dive 4 on the tool's leads lie 0.14 kg above the oracle's with 60 divers to learn from and 0.22 kg
  with 200. It errs on the careful side: too light on 2.6 and 1.4 % of dives where 5 % is accepted. About
  0.06 kg of it is what is allowed for errors that a diver makes alike on every dive (0.2 kg beside a
  scatter of 0.45), and 0.03 and 0.06 kg what is allowed for dives far out, which read like wrong records;
  neither oracle allows for either. In these worlds the scatter of dives is learned as 0.42 kg from 60 divers
  and 0.45 kg from 200, for a true 0.45, and the share of wrong records as 5.7 % for a true 5 % (means of
  eight worlds each), so that the latter is more than they need; where scatter is learned as 0.40 kg it is
  what keeps the band of those with many dives wide enough (`reports/engine/worlds.md`). Where the model is
  the law all of it comes to 0.13 and 0.05 kg over 8 dives (`decision_curves.md`).
- With 60 divers to learn from practice is nearer on dives 6 and 8, by two points and one. With 200, in other
  worlds, the tool misses two aims: 0.82 of the oracle's share, and practice is nearer on all dives after the
  first but one, by two to ten points, with more than one lead in five too light. One standard error of a
  share is two to three points.
- Where needs change by themselves, the tool's leads end 0.3 kg above the oracle's, two thirds of which is the
  model's: its own oracle rises in the same way, since neither knows that beginners relax and suits age. A
  need that falls while the band follows slowly is met by too much lead, never by too little.
- Next steps earn their keep: without them the leads end 0.4 to 0.5 kg higher still.
- What teaches most is not what is safe: greedy's looks and hand-offs make the diver rise twice as often.
- The first dives rest on a surface check, which another law of foam at the stop misleads in thick suits, on
  the light side: the model's oracle is too light there on up to one dive in ten. What the tool has learned
  from the records of others makes up for it.
"""

DECISION_CURVES: Final = """# Decision curves: accepted against realised risk

Simulated divers, none of them real. An estimate is no instruction: follow your instructor, your training
agency and local rules, and let a check in the water overrule the number.

{made}
The worlds, oracles and learned populations are those of the closed loop. Before each dive the tool and both
oracles answer from the same records; the lead of an accepted risk is that quantile of need less what
exhaling covers, not yet on blocks, and nobody dives it: the divers of the book carry their own. A lead is
too light where the need of the dive, its scatter in it, exceeds the lead and what this diver's exhaling
covers.

## Books under the model's own law

The plain case: worlds whose law is the model's. Foam shrinks as the ledger has it, suits and scatter have
normal tails, no type of suit is further from its catalogue than the model expects, needs drift as in the
model, beginners and old suits need what the ledger reckons. Stops are written down by chance, whatever the
zone, and one in fifty says something else than what was. All exhale 0.5 kg and inhale 1.2 kg: as much as
decisions trust a breath with at most, so that their caution about wider ones is not what is measured. The
spreads are the middle of the model's prior. Two things are a little off, both in the surface checks that the
population is learned from: a waterline shows need with an error of 0.5 kg where the model holds 0.57 kg, and
neighbouring lines meet where the catalogue's head has them, whatever the true one. Leads are as in the next
kind of books.

Here both oracles are one. It is told the shared effects and hyperparameters. The tool learns them: from 60
divers, as in the other kinds of books, and from 200, to see what more divers teach. Twice as many worlds as
there, {worlds}, since a rate within 1.5 points asks for them.

### Learned from 60 divers

{few}
### Learned from 200 divers

{many}
Where the model is right, decisions keep the accepted risk, within what these worlds can show; the other two
kinds of books show what becomes of it where the model is not right. The divers of a world share what was
learned, which ± leaves out: at 20 % one standard error over worlds is 1.1 points (60) and 1.3 points (200),
near to the aim itself. Beside the oracle, which met the same dives, it is surer: 1.0 and 0.4 points less
often too light at 5 %, 1.4 and 0.5 points at 20 %. Some 0.02 kg of the lead is what is allowed for dives far
out, of which this law has none (`Hyperparameters.scatter_ahead`).

What the lead over the oracle's is made of, measured apart on the same worlds, one thing changed at a time; at
5 %, learned from 60 and from 200 divers:

| changed | over the oracle's, kg: 60 | 200 | points over the oracle's rate, furthest: 60 | 200 |
| --- | --- | --- | --- | --- |
| nothing | +0.13 | +0.07 | -1.6 | -1.0 |
| exhaling counted on for its 0.5 kg, not what was learned (0.46, 0.43 kg) | +0.09 | +0.00 | -0.7 | +1.0 |
| nothing allowed for a diver's own errors (`OWN_ERROR`, 0.2 kg) | +0.11 | +0.05 | -1.3 | -0.8 |
| all hyperparameters known | +0.05 | +0.04 | -0.6 | -0.5 |
| all hyperparameters and shared effects known | | +0.01 | | -0.2 |
| the same, and nothing allowed for own errors | | -0.01 | | +0.2 |

So the engine answers as the oracle does once both know the same. More divers teach nearly all of the rest.
This breakdown is from before chances of records summed to one, wrong records had the form of what they say,
one head served all words of a waterline, and a diver's share was taken out of the population as it is at the
mode. Each word had a share of its own in the doubt about heads, neighbouring words overlapped or left gaps,
and from that heads and breaths were learned that are too small.
Since then what exhaling covers comes to 0.48 to 0.55 kg in books of 1,000 divers (three worlds), before to
0.39 to 0.42 kg; the tables above are as it is now.

## Books in which the leads hang on the records alone

Common practice (no source) that goes by what was written down: a tenth of the body mass scaled by the suit,
1 kg less after a record of gas in the BC or of sinking, 1 kg more after one of rising. Such leads say
nothing of need beyond the records, so an exact posterior must be right here: the oracle's column is a test
of the oracle.

{practice}
## Books kept by habit

Leads lie 1.2 kg over the diver's true need on average. They tell of need, and neither tool nor oracle
listens: a lead of habit is no evidence about the one who carries it. So not even the oracle keeps the risk
to the letter.

{habit}
## How to read it

- The tool errs towards more lead: it is too light about half as often as accepted, for 0.3 to 0.5 kg. Its
  bands are about as wide as they should be from the third dive on; where leads hang on the records alone,
  their middle comes to lie 0.35 kg too high. The model's oracle is as seldom too light there on the later
  dives, so this is the model's doing more than the tool's. Measured apart, on three of these worlds, mean
  over the dives after the first: +0.23 kg as it is; +0.13 where beginners do not relax and suits do not age;
  +0.04 where, besides, every answer also read how completely a record was written down, which here hangs on
  how heavy the diver was. Answers do not, on purpose: how people note differs. Tried in five ways, all of it,
  the latest few records only, or with less weight the more there are, it took away a quarter of the error
  here, left leads in the loop as they are, and put needs beyond the 95 % point of divers who never note the
  BC up from 6.6 to between 7.3 and 9.5 %.
- On blocks, always rounded up, the realised risk is lower still.
- The model's oracle is too light on the first dives: it is told the true shared effects but not the other
  law of foam, which a population learned from records takes in as a part of them.
"""
