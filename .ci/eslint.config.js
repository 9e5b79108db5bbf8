// Lint rules for the page's JavaScript and its tests. Layout is prettier's; here stand mistakes and sizes.

import js from "@eslint/js";
import globals from "globals";

export default [
  js.configs.recommended,
  {
    files: ["biofeedback/web/static/**/*.js", "tests/web/page/*.mjs"],
    languageOptions: { ecmaVersion: 2022, sourceType: "module", globals: globals.browser },
    linterOptions: { reportUnusedDisableDirectives: "error" },
    rules: {
      "max-len": ["error", { code: 140, ignoreRegExpLiterals: false }],
      "max-lines": ["error", { max: 300 }],
      complexity: ["error", 20],
      eqeqeq: "error",
      "no-var": "error",
      "prefer-const": "error",
      "no-shadow": "error",
      "no-use-before-define": ["error", { functions: false, classes: false, variables: false }],
      "no-implied-eval": "error",
      "no-restricted-properties": [
        "error",
        ...["innerHTML", "outerHTML", "insertAdjacentHTML"].map((property) => ({ property, message: "text is always text: use make()" })),
      ],
    },
  },
  { files: ["tests/web/page/*.mjs"], languageOptions: { globals: globals.nodeBuiltin } },
];
