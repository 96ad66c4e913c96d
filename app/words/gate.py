"""The words of the gate: host names and the access code."""

WORDS = {
    "gate.host": "This server does not go by the name {host}. Use the address that the terminal shows.",
    "gate.nopass": "Type the access code first: open the app's own address in the browser.",
    "gate.ask": "The code stands in the terminal in which portmap app was started.",
    "gate.code": "Access code",
    "gate.enter": "Enter",
    "gate.wrong": "That code is not right. Look again: there is no letter O, I or L, no 0 and no 1 in it.",
    "gate.wait": "That was wrong too often. Wait {seconds} s, then try again.",
    "gate.expired": "Your pass has run out, nothing is lost. Type the code again.",
}
