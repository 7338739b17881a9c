import { expect } from 'vitest'
import { created, expected } from '../support/service.ts'
import type { House } from './http.ts'
import type { Scene } from './scene.ts'

const meaning = 'agreed with the customer'

interface Happening {
  readonly at: number
  readonly act: () => Promise<void>
}

/** The permits of a case by the acts of two people. */
export function permitsOf(
  { author, approver }: House,
  scene: Scene,
  digests: ReadonlyMap<number, string>,
): Happening[] {
  return scene.given.permits.flatMap(
    ({ permit: name, at, step, member, value, unit, quantity, validUntil, refused, used }) => {
      const permit = `${scene.given.case}-${name}`
      const give = async () => {
        const content = {
          permit,
          plan: scene.plan,
          revision: 7,
          revisionDigest: digests.get(7),
          step,
          [member]: { value, unit },
          quantity,
          validUntil: new Date(scene.at(validUntil)).toISOString(),
          reason: 'a lot at the end of its tolerance',
        }
        const { digest } = created(await author.post('/v1/permits', { content })).body
        const answer = await approver.sign(`/v1/permits/${permit}/approval`, { digest, validFrom: 'at-once', meaning })
        if (refused === undefined) expected(answer, 200)
        else expect(answer.body.type).toBe(`urn:limitkeep:problem:${refused}`)
      }
      const count = async () => {
        expect(expected(await author.get(`/v1/permits/${permit}`), 200).body.used, permit).toBe(used)
      }
      const given = { at: scene.at(at), act: give }
      return used === undefined ? [given] : [given, { at: scene.at('23:59'), act: count }]
    },
  )
}

/** The concessions of a case; the run that each is for is there by then. */
export function concessionsOf(house: House, scene: Scene, runIds: ReadonlyMap<string, string>): Happening[] {
  return scene.given.concessions.map(({ concession: name, of, at, isAlone, refused }) => ({
    at: scene.at(at),
    act: async () => {
      const concession = `${scene.given.case}-${name}`
      const both = isAlone ? await house.service.addPerson(`P-${scene.given.case}`, ['author', 'approver']) : undefined
      const draft = { concession, runId: runIds.get(of), reference: 'of the customer', reason: 'agreed for one unit' }
      const asked = await (both ?? house.author).post('/v1/concessions', draft)
      if (refused === 'state-conflict') {
        expect(asked.body.type).toBe('urn:limitkeep:problem:state-conflict')
        return
      }
      const { digest } = created(asked).body
      const path = `/v1/concessions/leeds/${concession}/approval`
      const answer = await (both ?? house.approver).sign(path, { digest, meaning })
      if (refused === undefined) expected(answer, 200)
      else expect(answer.body.type).toBe(`urn:limitkeep:problem:${refused}`)
    },
  }))
}
