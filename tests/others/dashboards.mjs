// Checks dashboards against the types that @grafana/schema publishes: every name and every kind of value, also in the
// options of each panel. Enums and literals are widened to strings and numbers, as JSON has no enums.
// Usage: node dashboards.mjs DIRECTORY-WITH-node_modules DASHBOARD.json...
import { execFileSync } from "node:child_process";
import { readFileSync, writeFileSync } from "node:fs";
import { basename, join } from "node:path";

const [, , home, ...files] = process.argv;
const raw = "./node_modules/@grafana/schema/dist/types/raw";
const kinds = { timeseries: "timeseries", table: "table", "state-timeline": "statetimeline" };
let code = `import type { Dashboard } from "${raw}/dashboard/x/types.gen";\n`;
for (const kind of Object.values(kinds)) {
  code += `import type * as ${kind} from "${raw}/composable/${kind}/panelcfg/x/types.gen";\n`;
}
code += `type Wide<T> = T extends string ? string : T extends number ? number : T extends boolean ? boolean
  : T extends (infer U)[] ? Wide<U>[] : T extends object ? { [K in keyof T]?: Wide<T[K]> } : T;\n`;
let count = 0;
for (const file of files) {
  const dashboard = JSON.parse(readFileSync(file, "utf8"));
  code += `// ${basename(file)}\nexport const d${count++}: Wide<Dashboard> = ${JSON.stringify(dashboard)};\n`;
  for (const panel of dashboard.panels) {
    const kind = kinds[panel.type];
    if (!kind) throw new Error(`${file}: no types are known for a panel of type ${panel.type}`);
    code += `export const d${count++}: Wide<${kind}.Options> = ${JSON.stringify(panel.options)};\n`;
    if (panel.fieldConfig.defaults.custom) {
      code += `export const d${count++}: Wide<${kind}.FieldConfig> = ${JSON.stringify(panel.fieldConfig.defaults.custom)};\n`;
    }
  }
}
const out = join(home, "check.ts");
writeFileSync(out, code);
try {
  execFileSync("node", [join(home, "node_modules/typescript/bin/tsc"), "--noEmit", "--strict", "--skipLibCheck", "--module", "esnext", "--moduleResolution", "bundler", "--target", "es2022", out], { stdio: "pipe", cwd: home });
  console.log(`${count} objects have the published shape`);
} catch (e) {
  console.log(String(e.stdout));
  process.exit(1);
}
