package api

// OperationDocs lets tests outside see what each operation takes.
var OperationDocs = operationDocs
