import type { GraphQLSchema } from 'graphql'
import { graphAlerts } from './alerts/graph.ts'
import { graphConcessions } from './concessions/graph.ts'
import { graphCorrections } from './corrections/graph.ts'
import { graphFiles } from './csv/graph.ts'
import { graphImpact } from './impact/graph.ts'
import { graphIntake } from './intake/graph.ts'
import { graphPlans } from './plans/graph.ts'
import { graphBlocks } from './plans/graph-checks.ts'
import { graphPermits } from './plans/graph-permits.ts'
import { graphSweep } from './plans/graph-sweep.ts'
import { createGraphBuilder } from './platform/http/graphql/builder.ts'
import type { Services } from './platform/http/server.ts'
import { graphProducts } from './products/graph.ts'
import { graphReview } from './review/graph.ts'
import { graphRules } from './rules/graph.ts'
import { graphSchedule } from './schedule/graph.ts'
import { graphStationChecks } from './station-checks/graph.ts'
import { graphStations } from './stations/graph.ts'
import { graphStudies } from './studies/graph.ts'
import { graphUnits } from './units/graph.ts'

/** Wires the rooms' questions into one schema, lowest room first: each may lead to the types of those below it. */
export function buildGraph(services: Services): GraphQLSchema {
  const builder = createGraphBuilder()
  const products = graphProducts(builder, services)
  const rules = graphRules(builder, services)
  const plans = graphPlans(builder, services, products)
  graphSweep(builder, services, rules)
  graphReview(builder, services, plans)
  const stations = graphStations(builder, services, plans)
  graphStationChecks(builder, services, stations)
  const units = graphUnits(builder, services, products)
  const intake = graphIntake(builder, services, { ...plans, ...stations, ...units })
  graphPermits(builder, services)
  graphBlocks(builder, services)
  graphSchedule(builder, services)
  graphConcessions(builder, services, intake)
  graphCorrections(builder, services, { ...intake, ...units })
  graphAlerts(builder, services, stations)
  const studies = graphStudies(builder, services, { ...rules, ...plans, ...stations, ...units, ...intake })
  graphFiles(builder, services, stations)
  graphImpact(builder, services, { ...rules, ...plans, ...studies })
  return builder.toSchema()
}
