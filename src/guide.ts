/** What stands before the operations at `/docs`: how to begin, and what holds for all of them. Markdown. */
export const guide = `
Limitkeep records production-line electrical safety tests and judges them against versioned plans and rule tables.
**High voltage can kill. Limitkeep keeps records and limits; it makes no test safe. Local codes and licensed practice
govern, and only trained persons test.** The examples are from Aldermoor Works, an invented maker: no number in them is a
limit for a real product.

## For all operations

- Send \`Authorization: Bearer <access key>\`. Keys of stations upload and ask for assignments; all else is for keys of
  persons, by their roles. Each operation says who may.
- An absent optional field and null mean the same. Unknown fields are refused. Instants are RFC 3339 with an offset.
  Decimals are text, or JSON numbers, which are read from their own digits. A number has its unit beside it, in UCUM.
- A refusal is a problem document (RFC 9457): \`type\` is its name for ever, \`detail\` and \`errors[].pointer\` say what to
  mend. On 503 wait for \`Retry-After\` and send the same again; a proxy in front may answer 429, 502 or 504 with the same
  meaning. Sending an upload again under its key is always safe.
- Lists come in pages: \`limit\` (50, at most 500), and \`nextCursor\` of one page as \`cursor\` of the next, also as a
  \`Link\`.
- What is drafted carries an \`ETag\`; a change of it sends the same in \`If-Match\`.
- A signature needs presence: the header \`One-Time-Code\` with six digits (RFC 6238) opens five minutes, in which it may
  be left out. The signer fetches the secret with the own key, once: \`fetchOneTimeSecret\`.

## Who may do what

| role | may |
|---|---|
| administrator | open sites and stations, record instruments and calibrations, add persons and keys |
| author | write drafts, submit them; stop what is in force |
| approver | sign what another person wrote; stop what is in force |
| analyst, or any other role | read everything, ask for release, record what happens to units |
| none | read setup sheets and assignments, record programmings |

Whoever keys a tester, runs it or ships needs no role of that name: a person is recorded, and cited by key.

## Set a plant up, in this order

| who | calls | for |
|---|---|---|
| administrator | \`createSite\`, \`createStation\`, \`createInstrument\`, \`assignInstrument\`, \`recordCalibration\` | the place, the tester in it, until when it is calibrated |
| administrator | \`createPerson\` with roles, \`issueKey\` for persons and stations | who may do what |
| author, then another person | \`createEdition\`, \`submitEdition\`, \`askImpact\`, \`publishEdition\` | what a test must at least be; the first edition makes table and rule set |
| author, then another person | \`createVersion\`, \`submitVersion\`, \`confirmVersion\` | the product: class, ratings, earthed parts, serial rule, the rule sets that it is made to |
| author, then another person | \`proposeRevision\`, \`createRevision\`, \`listFindings\`, \`submitRevision\`, \`approveRevision\` | the test plan, proposed with reasons; what rules and physics say of it; in force from an instant |
| technician, with another person | \`getSetupSheet\` or \`getSetupSheetPage\`, \`recordProgramming\` | the sheet keyed into the tester, and read back |
| where the house asks for it | \`createReferenceUnit\`, \`createCheckPlan\`, \`recordStationCheck\` | the tester shown to find faults, before and after |
| station | \`getAssignment\`, then \`uploadRun\` or \`uploadBatch\` | may it test, by which revision; and what was measured |
| shipping | \`readRelease\` | may this unit go |

A cell of a rule table is FEEL, the language of OMG DMN: in \`when\` a test (\`[150..300]\`, \`> 16\`, \`"I","II"\`, \`-\` for
any), in \`then\` a value, a range or a formula (\`1000 + 2 * ratedVoltage\`). \`hitPolicy\` says what rows that match mean
together: \`U\` only one may match; \`C\` they are alternatives, one of which must be met wholly. What one row demands holds
together; several tests of a product are several tables, one for each kind of step. A table with the subject \`plan\` says
which steps there must be (\`stepPresent\`) and in which order (\`precedes\`).

**Rows bind** where a source with \`use\` routine and \`verification\` verified states them, or where the publication gives a
reason in \`bindsBecause\`. Others only warn, and \`warnings\` of the edition say so. A product is checked against the tables of
the \`ruleSets\` that it names: with a name that no table has, nothing is demanded; \`warnings\` of the version and every check say so.

## What an upload must hold

What the plan sets, the upload shows measured, on the measurement or on its step: \`testVoltage\`, \`testCurrent\`,
\`supplyVoltage\`, \`frequency\`, \`rampUp\`, \`dwell\` (or \`totalTime\` with \`rampUp\`), \`readAt\`, \`residualVoltage\`, each where
its step has it; \`highestInRamp\` where \`limitInRamp\` is true; \`network\` and the reading's \`detector\` where the plan names
one; \`leadOffset\` with two wires. After a trip or a stop nothing of it is needed. A station key cannot read the plan:
whoever writes the uploader reads \`getSetupSheet\` with a person's key, and tries it with \`checkRun\`.

A held run is answered 202 whenever it is sent again. \`standing\` says what it is now (accepted once the hold has settled), in
that answer and in \`readRun\`.
`.trim()
