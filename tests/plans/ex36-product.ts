/** The workshop dust extractor EX36 and the strength rule of its house, as they are sent. All numbers are invented. */
export const productWire = {
  product: 'EX36',
  version: 3,
  name: 'Workshop dust extractor EX36',
  family: 'dust-extractor',
  attributes: {
    protectionClass: 'I',
    functionalEarth: false,
    phases: 1,
    ratedVoltage: {
      value: '230',
      unit: 'V',
    },
    ratedFrequency: {
      value: '50',
      unit: 'Hz',
    },
    ratedCurrent: {
      value: '5.2',
      unit: 'A',
    },
    ratedPower: {
      value: '1.2',
      unit: 'kW',
    },
    liveToEarthCapacitance: {
      value: '4.4',
      unit: 'nF',
    },
    capacitanceTolerance: {
      value: '20',
      unit: '%',
    },
    insulations: [
      {
        between: ['live', 'protective-conductor'],
        insulation: 'basic',
      },
    ],
    earthedParts: ['motor-housing', 'hose-collar'],
  },
  variants: [
    {
      variant: 'EX36-3M',
      attributes: {
        earthCoreResistance: {
          value: '58.5',
          unit: 'mOhm',
        },
      },
    },
    {
      variant: 'EX36-5M',
      attributes: {
        earthCoreResistance: {
          value: '97.5',
          unit: 'mOhm',
        },
      },
    },
  ],
  serialRule: {
    pattern: '^EX36-[0-9]{2}-[0-9]{6}$',
    letters: 'upper',
    trim: true,
  },
  ruleSets: ['aldermoor-routine'],
  operationsRequired: ['final'],
}

export const editionWire = {
  table: 'extractor-strength',
  edition: 3,
  title: 'Routine electric strength, dust extractors',
  ruleSet: 'aldermoor-routine',
  subject: 'electric-strength-ac',
  appliesWhen: {
    family: '"dust-extractor"',
  },
  hitPolicy: 'C',
  overrides: [
    {
      table: 'appliance-strength',
      parameter: 'tripCurrent',
      reason: 'filter current of this family',
    },
  ],
  inputs: [
    {
      attribute: 'insulation',
      type: 'string',
      values: '"basic","double","reinforced"',
    },
    {
      attribute: 'ratedVoltage',
      type: 'number',
      unit: 'V',
      values: '[24..480]',
    },
  ],
  outputs: [
    {
      parameter: 'testVoltage',
      relation: '>=',
      unit: 'V',
    },
    {
      parameter: 'dwell',
      relation: '>=',
      unit: 's',
    },
    {
      parameter: 'tripCurrent',
      relation: '<=',
      unit: 'mA',
    },
  ],
  rows: [
    {
      row: 'b1',
      when: ['"basic"', '[24..150]'],
      then: ['800', '60', '10'],
    },
    {
      row: 'b2',
      when: ['"basic"', '[24..150]'],
      then: ['960', '1', '10'],
    },
    {
      row: 'b3',
      when: ['"basic"', '(150..250]'],
      then: ['1000', '60', '10'],
    },
    {
      row: 'b4',
      when: ['"basic"', '(150..250]'],
      then: ['1200', '1', '10'],
    },
    {
      row: 'b5',
      when: ['"basic"', '(250..480]'],
      then: ['500 + 2 * ratedVoltage', '60', '10'],
    },
    {
      row: 'b6',
      when: ['"basic"', '(250..480]'],
      then: ['1.2 * (500 + 2 * ratedVoltage)', '1', '10'],
    },
    {
      row: 'd1',
      when: ['"double","reinforced"', '-'],
      then: ['2500', '1', '-'],
    },
  ],
  sources: [
    {
      rows: ['b1', 'b2', 'b3', 'b4', 'b5', 'b6', 'd1'],
      document: 'Aldermoor house rule HR-7',
      documentEdition: '2',
      clause: '3.1',
      use: 'routine',
      verification: 'invented',
    },
  ],
}
