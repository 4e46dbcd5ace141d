// Reads every table of a package with a stock validator of Table Schema: types,
// constraints, primary keys, and foreign keys into the other tables. The exit code
// is 1 where something does not hold.
const fs = require('fs')
const path = require('path')
const { Table } = require('tableschema')

async function main(folder) {
  const { resources } = JSON.parse(fs.readFileSync(path.join(folder, 'data/datapackage.json'), 'utf8'))
  const rows = {}
  let faults = 0
  const read = async (resource, options) => {
    const table = await Table.load(path.join(folder, 'data', resource.path), { schema: resource.schema })
    try {
      return await table.read({ keyed: true, ...options })
    } catch (fault) {
      faults++
      console.error(`${resource.path}: ${fault.message}`, (fault.errors || []).slice(0, 5).map((e) => e.message))
      return []
    }
  }
  for (const r of resources) rows[r.name] = await read(r)
  for (const r of resources.filter((r) => r.schema.foreignKeys)) await read(r, { relations: rows })
  console.log(resources.map((r) => `${r.path} ${rows[r.name].length}`).join(', '))
  process.exit(faults ? 1 : 0)
}

main(process.argv[2])
