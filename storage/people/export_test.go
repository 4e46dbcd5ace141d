package people

var PasswordFits = passwordFits
