/** The final test of the EX36, as it is sent. All numbers are invented; they are no limits for a real product. */
export const planWire = {
  plan: 'ex36-final',
  revision: 7,
  operation: 'final',
  sites: ['leeds'],
  product: 'EX36',
  productVersion: 3,
  productDigest: 'sha256:7dd40f48b2abdfc712001cf6c39bf1489583bb0e2ffce362d6df7a2e602d5e9d',
  evidenceFrom: 'one-run',
  attemptsWithoutCauseMax: 2,
  runDurationMax: {
    value: '600',
    unit: 's',
  },
  decisionRule: {
    kind: 'simple',
  },
  rounding: {
    kind: 'absolute',
  },
  steps: [
    {
      step: 'bond',
      kind: 'protective-bonding',
      required: true,
      after: [],
      testCurrent: {
        set: '10.5',
        least: '10',
        most: '12',
        unit: 'A',
      },
      sourceVoltage: {
        most: '12',
        unit: 'V',
      },
      dwell: {
        set: '2.0',
        least: '2.0',
        unit: 's',
      },
      method: 'two-wire',
      leadOffset: {
        most: {
          value: '30',
          unit: 'mOhm',
        },
        ageMax: {
          value: '12',
          unit: 'h',
        },
      },
      limitUpper: {
        byVariant: {
          'EX36-3M': '158.5',
          'EX36-5M': '197.5',
        },
        unit: 'mOhm',
        inclusive: true,
        formula: '100 + earthCoreResistance',
      },
      measurements: [
        {
          measurement: 'motor-housing',
          from: ['plug-earth-pin'],
          to: ['motor-housing'],
        },
        {
          measurement: 'hose-collar',
          from: ['plug-earth-pin'],
          to: ['hose-collar'],
        },
      ],
    },
    {
      step: 'strength',
      kind: 'electric-strength-ac',
      required: true,
      after: ['bond'],
      insulation: 'basic',
      testVoltage: {
        set: '1250',
        least: '1200',
        most: '1287.5',
        unit: 'V',
      },
      frequency: {
        set: '50',
        least: '49',
        most: '51',
        unit: 'Hz',
      },
      rampUp: {
        set: '1.0',
        most: '5.0',
        unit: 's',
      },
      dwell: {
        set: '1.2',
        least: '1.0',
        unit: 's',
      },
      rampDown: {
        set: '0.3',
        unit: 's',
      },
      tripCurrent: {
        value: '5.0',
        unit: 'mA',
      },
      arcDetection: {
        threshold: {
          value: '10',
          unit: 'mA',
        },
      },
      limitInRamp: true,
      detector: 'rms',
      limitUpper: {
        value: '3.0',
        unit: 'mA',
        inclusive: true,
      },
      openLeadMinimum: {
        value: '0.65',
        unit: 'mA',
      },
      measurements: [
        {
          measurement: 'live-to-earth',
          from: ['line', 'neutral'],
          to: ['protective-conductor'],
        },
      ],
    },
    {
      step: 'insulation',
      kind: 'insulation-resistance',
      required: true,
      after: ['bond'],
      insulation: 'basic',
      testVoltage: {
        set: '510',
        least: '500',
        most: '550',
        unit: 'V',
      },
      readAt: {
        set: '5.0',
        least: '5.0',
        most: '6.0',
        unit: 's',
      },
      endEarlyOnPass: false,
      basis: 'as-read',
      residualVoltage: {
        most: '60',
        unit: 'V',
      },
      contactProvenBy: 'strength',
      limitLower: {
        value: '2',
        unit: 'MOhm',
        inclusive: true,
      },
      measurements: [
        {
          measurement: 'live-to-earth',
          from: ['line', 'neutral'],
          to: ['protective-conductor'],
        },
      ],
    },
    {
      step: 'touch',
      kind: 'touch-current',
      required: true,
      after: ['strength'],
      network: 'iec-60990-figure-4',
      detector: 'rms',
      supplyVoltage: {
        set: '246',
        least: '243.8',
        most: '250',
        unit: 'V',
      },
      frequency: {
        set: '50',
        least: '49',
        most: '51',
        unit: 'Hz',
      },
      limitUpper: {
        value: '0.75',
        unit: 'mA',
        inclusive: true,
      },
      openLeadMinimum: {
        value: '0.06',
        unit: 'mA',
      },
      measurements: [
        {
          measurement: 'normal-closed',
          polarity: 'normal',
          neutral: 'closed',
          protectiveConductor: 'open',
          from: ['accessible-metal'],
        },
        {
          measurement: 'normal-open',
          polarity: 'normal',
          neutral: 'open',
          protectiveConductor: 'open',
          from: ['accessible-metal'],
        },
        {
          measurement: 'reversed-closed',
          polarity: 'reversed',
          neutral: 'closed',
          protectiveConductor: 'open',
          from: ['accessible-metal'],
        },
        {
          measurement: 'reversed-open',
          polarity: 'reversed',
          neutral: 'open',
          protectiveConductor: 'open',
          from: ['accessible-metal'],
        },
      ],
    },
  ],
}
