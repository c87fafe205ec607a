# bash completion for tickledger(1) and tickledgerd(8). Commands and options are what the programs' --help names.

# The words of a help text that begin a line: "options" (long ones), or "commands".
_tickledger_words() { # WHAT PROGRAM [COMMAND]
    case $1 in
        options) "${@:2}" --help 2>/dev/null | grep -oE '^ +(-[a-z],)?--[a-z][a-z-]*' | grep -oE -- '--[a-z-]+' ;;
        commands) "${@:2}" --help 2>/dev/null | sed -n '/^Subcommands:/,$s/^  \([a-z]\{1,\}\)  .*/\1/p' ;;
    esac
}

# The ids of the meters that the daemon knows; none where it does not answer.
_tickledger_meters() { # PROGRAM
    timeout 1 "$1" --csv meters 2>/dev/null | sed -e 1d -e 's/,.*//'
}

_tickledger() {
    local current=$2 previous=$3 program=$1 command='' word index
    local commands
    commands=$(_tickledger_words commands "$program")
    for ((index = 1; index < COMP_CWORD; index++)); do
        word=${COMP_WORDS[index]}
        if [[ $word != -* && $'\n'$commands$'\n' == *$'\n'"$word"$'\n'* ]]; then
            command=$word
            break
        fi
    done

    local words=
    case $previous in
        --config | --into | --socket | --password-file | --ca-file) compopt -o default; return ;;
        --step) words="interval hour day week month year" ;;
        --label | --longest) words="flush shower tap washer bath hose leak unknown" ;;
        --was) words="flush shower tap washer bath hose nothing" ;;
        --state) words="unacknowledged acknowledged returned-unacknowledged normal shelved" ;;
        --day) words="today yesterday" ;;
        --unit) words="m3 L gal_us gal_imp ft3" ;;
        --dates) words="day-first month-first" ;;
        --from | --to | --at | --since | --named | --month | --last | --for | --until | --take-back | --apply-from) return ;;
        --set | --start | --group | --broker | --topic | --meter | --username | --pulse-value | --acknowledge | --unacknowledge | --shelve | --unshelve | --time | --register | --consumption | --zone | --delimiter | --decimal | --as | --undo) return ;;
        *)
            words=$(_tickledger_words options "$program" $command)
            if [[ -z $command ]]; then
                words+=$'\n'$commands
            elif [[ $command == replay || $command == listen || $command == redate ]]; then
                [[ $current == -* || $command != replay ]] || { compopt -o default; return; }
            else
                words+=$'\n'$(_tickledger_words options "$program")
                [[ $current == -* ]] || words=$(_tickledger_meters "$program")
            fi
            ;;
    esac
    mapfile -t COMPREPLY < <(compgen -W "$words" -- "$current")
}

complete -F _tickledger tickledger tickledgerd
