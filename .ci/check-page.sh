#!/usr/bin/env bash
# Types, lint and layout of the page's JavaScript, with the tools that package-lock.json pins.
set -euo pipefail
cd "$(dirname "$0")/.."
[ -d .ci/node_modules ] || npm ci --silent --no-audit --no-fund --prefix .ci
tools=.ci/node_modules/.bin
$tools/tsc -p .ci/tsconfig.json
$tools/eslint --config .ci/eslint.config.js biofeedback/web/static tests/web/page
$tools/prettier --config .ci/prettier.json --log-level warn --check "biofeedback/web/static/**/*.{js,ts}" "tests/web/page/*.mjs"
