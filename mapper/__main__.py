from mapper.cli import main

main()
